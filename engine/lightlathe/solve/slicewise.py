"""Bounded L-BFGS for each slice on its own, all slices in one batch (experimental form)."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.one_pass import serve
from lightlathe.solve.reference import slicewise as reference
from lightlathe.solve.reference.slicewise import Coded, empty_pairs


def updates_for(x):
    if serve(x):
        from lightlathe.solve.gpu import slicewise
        return slicewise
    return reference


def soft_window_by_slice(dose, target, k, room=None):
    """values (z,) float64, slope"""
    if serve(dose):
        from lightlathe.losses.soft_window_triton import soft_window
        at = soft_window(dose, target, room, sharpness=k, joined=lambda v: (v, torch.ones_like(v)))
        return at.value, at.slope
    kk = k.to(dose.dtype)
    e = torch.where(target.solid, 1 - dose, torch.where(target.liquid, dose - 1, -math.inf)) * kk
    e = e.flatten(0, 1)
    top = torch.maximum(e.amax(0), -kk)
    w = (e - top).exp_()
    total = w.sum(0) + (-kk - top).exp()
    value = (total.log() + top) / kk
    p = (w / total).reshape(dose.shape)
    return value.double(), torch.where(target.solid, -p, p)


def extremes(dose, target):
    least = torch.where(target.solid, dose, math.inf).amin((0, 1))
    most = torch.where(target.liquid, dose, -math.inf).amax((0, 1))
    return most, least


@dataclass
class Run:
    memory: int = 6
    first_change: float = 0.1
    softest: float = 10.0
    sharpest: float = 300.0
    stages: int = 8
    last: float = 0.1
    settled: float = 0.0  # 0: by share of the iterations alone
    patience: int = 5
    every: int = 5

    def ladder(self, n, iterations):
        s, share = self.stages - 1, n / iterations
        if share >= 1 - self.last: return s
        return min(s - 1, math.floor(share / (1 - self.last) * s + 1e-9))

    def solve(self, problem, x, iterations, trace=()):
        op, target, limit = problem.operator, problem.target, problem.limit
        if hasattr(type(op), "within"): op = op.within(limit)
        fused = serve(x)
        u = updates_for(x)
        Z, dev = x.shape[2], x.device
        ks = torch.tensor([self.softest * (self.sharpest / self.softest) ** (i / max(1, self.stages - 1)) for i in range(self.stages)], device=dev)
        pairs = empty_pairs(2 * self.memory, tuple(x.shape), dev)
        change = Coded(torch.zeros_like(pairs.codes[0]), torch.zeros_like(pairs.scales[0]))
        valid = torch.zeros(Z, self.memory, dtype=torch.bool, device=dev)
        f64 = dict(device=dev, dtype=torch.float64)
        value = torch.full((Z,), math.nan, **f64); step = torch.ones(Z, **f64); predicted = torch.zeros(Z, **f64)
        stage = torch.zeros(Z, dtype=torch.int64, device=dev)
        since = torch.zeros(Z, dtype=torch.int64, device=dev); mark = torch.full((Z,), math.inf, **f64)
        g = torch.zeros_like(x); xk = x; trial = x.clone() if fused else x
        best = x.clone(); bestw = torch.full((Z,), -math.inf, device=dev)
        both = target.solid.any(0).any(0) & target.liquid.any(0).any(0)
        out = []
        for n in range(iterations):
            slot = n % self.memory
            k = ks[stage]
            dose = op(trial)
            room = op.room() if fused and hasattr(type(op), "room") else None
            val, slope = soft_window_by_slice(dose, target, k, room)
            if n % self.every == 0 or n + 1 == iterations or fused is False:
                most, least = extremes(dose, target)
                w = torch.where(both, 1 - most / least.clamp(min=1e-30), 1.0)
                better = w > bestw
                bestw = torch.where(better, w, bestw); best = torch.where(better, trial, best)
            grad = op.transpose(slope)
            first = value.isnan()
            ok = first | (val - value <= 1e-4 * predicted.clamp(max=0))
            step = torch.where(ok, 1.0, step / 2)
            s = torch.full((), slot, device=dev, dtype=torch.int32) if fused else slot
            found = u.products(ok, s, trial, grad, xk, g, change, pairs, limit=limit)
            valid[:, slot] = ~first
            order = torch.tensor([(slot - j) % self.memory for j in range(self.memory)], device=dev)
            fac, _ = u.factors(found, valid, order, first_change=self.first_change)
            xk, g, trial, predicted, change = u.stepped(ok, trial, grad, xk, g, pairs, fac, step, limit=limit)
            value = torch.where(ok, val, value)
            # stages
            due = torch.full_like(stage, self.ladder(n + 1, iterations))
            since += 1
            check = since >= self.patience
            if self.settled:
                slow = check & (mark - value < self.settled / k)
                mark = torch.where(check, value, mark); since = torch.where(check, 0, since)
                nxt = torch.maximum(due, torch.where(slow, (stage + 1).clamp(max=self.stages - 1), stage))
            else:
                nxt = due
            moved = nxt > stage
            stage = torch.maximum(stage, nxt)
            mark = torch.where(moved, math.inf, mark); since = torch.where(moved, 0, since)
            value = torch.where(moved, math.nan, value)
            trial = torch.where(moved, xk, trial) if fused is False or n < iterations else trial
            if n + 1 in trace:
                out.append((n + 1, self.window(problem, best, both), float(stage.double().mean())))
        return best, bestw, out

    def window(self, problem, best, both):
        most, least = extremes(problem.operator(best), problem.target)
        c = 2 / (most + least)
        return float(1 - (most * c)[both].amax() / (least * c)[both].amin()), float((1 - most / least)[both].mean())
