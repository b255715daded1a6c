"""Bounded limited-memory quasi-Newton steps (L-BFGS), decided on the device."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.solve.problem import Evaluated
from lightlathe.solve.step_rules import dot, free


@dataclass(frozen=True)
class BoundedLBFGS:
    """Quasi-Newton direction from the last `memory` steps on the levels free to move, projected onto the bounds.

    memory   pairs kept; each pair takes twice the memory of the patterns

    One iteration is one trial: a trial that lowers the loss too little shortens the step, nothing waits for the host.
    Source: Liu & Nocedal, Math. Program. 45 (1989) 503; free levels: two-metric projection, Bertsekas, SIAM J. Control
    Optim. 20 (1982) 221; inner products only, so that the recursion runs on small matrices.
    """

    memory: int = 10

    def begin(self, patterns: Tensor, limit: float) -> dict[str, Tensor]:
        m, n = self.memory, patterns.numel()
        small = {"device": patterns.device, "dtype": torch.float64}
        return {
            "trial": patterns,
            "patterns": patterns,
            "accepted": torch.ones((), device=patterns.device, dtype=torch.bool),
            "gradient": torch.zeros_like(patterns),
            "direction": torch.zeros_like(patterns),
            "pairs": torch.zeros(2 * m, n, device=patterns.device, dtype=patterns.dtype),  # steps, then bends
            "used": torch.zeros(m, device=patterns.device, dtype=torch.int64),  # age rank: 0 empty, else serial number
            "serial": torch.zeros((), device=patterns.device, dtype=torch.int64),
            "value": torch.full((), torch.nan, **small),
            "step": torch.ones((), **small),
        }

    def advance(self, state: dict[str, Tensor], at: Evaluated, limit: float) -> dict[str, Tensor]:
        m = self.memory
        x, g, d = state["patterns"], state["gradient"], state["direction"]
        value, step, pairs, used, serial = (state[k] for k in ("value", "step", "pairs", "used", "serial"))
        first = value.isnan()
        change, bend = at.patterns - x, at.gradient - g
        promised = dot(g, change)
        gained = at.value - value
        accepted = first | (gained <= 1e-4 * promised)
        keep = ~first & (dot(change, bend) > 1e-10 * torch.sqrt(dot(change, change) * dot(bend, bend)))
        slot = (serial % m).reshape(1)
        for offset, vector in ((0, change), (m, bend)):
            row = torch.where(keep, vector.flatten(), pairs.index_select(0, slot + offset)[0])
            pairs = pairs.index_copy_(0, slot + offset, row[None])
        serial = serial + keep
        used = used.index_copy(0, slot, torch.where(keep, serial, used.index_select(0, slot)[0]).reshape(1))
        x = torch.where(accepted, at.patterns, x)
        g = torch.where(accepted, at.gradient, g)
        movable = free(x, g, limit)
        downhill = g * movable
        fresh = -self._inverse_times(downhill, pairs, used, x).mul_(movable)
        slope = dot(fresh, downhill)
        shorter = step * (-0.5 * promised / (gained - promised)).clamp(0.1, 0.5).nan_to_num(0.5)
        step = torch.where(accepted, 1.0, shorter)
        d = torch.where(accepted & (slope < 0), fresh, torch.where(accepted, -downhill, d))
        value = torch.where(accepted, at.value.to(torch.float64), value)
        trial = torch.add(x, d * step.to(x.dtype)).clamp_(0, limit)
        return {
            "trial": trial, "patterns": x, "accepted": accepted, "gradient": g, "direction": d, "pairs": pairs,
            "used": used, "serial": serial, "value": value, "step": step,
        }  # fmt: skip

    def _inverse_times(self, downhill: Tensor, pairs: Tensor, used: Tensor, x: Tensor) -> Tensor:
        """H times the free gradient by the two-loop recursion, on inner products alone."""
        m = self.memory
        movable = downhill != 0
        masked = pairs * movable.flatten()
        gram = (masked @ pairs.T).to(torch.float64)
        load = (masked @ downhill.flatten()).to(torch.float64)
        order = torch.argsort(used)  # oldest first; empty ones lead
        both = torch.cat([order, order + m])
        gram, load = gram[both][:, both], load[both]
        ss, sy, yy = gram[:m, :m], gram[:m, m:], gram[m:, m:]
        s_load, y_load = load[:m], load[m:]
        diagonal = sy.diagonal()
        valid = (used[order] > 0) & (diagonal > 1e-10 * torch.sqrt(ss.diagonal() * yy.diagonal()))
        inverse = torch.where(valid, 1 / torch.where(valid, diagonal, 1.0), 0.0)
        alpha = torch.zeros_like(s_load)
        for i in range(m - 1, -1, -1):  # <s_i, q> with q = downhill - sum alpha_j y_j
            alpha[i] = inverse[i] * (s_load[i] - (alpha * sy[i]).sum())
        last = torch.where(valid, torch.arange(m, device=x.device), -1).amax()
        pick = last.clamp(min=0)
        gamma = torch.where(last >= 0, diagonal[pick] / yy.diagonal()[pick].clamp(min=1e-300), torch.nan)
        opening = 0.1 * x.abs().sum() / downhill.abs().sum().clamp(min=1e-30)
        gamma = torch.where(gamma.isnan(), opening.to(torch.float64), gamma)
        beta = torch.zeros_like(alpha)  # r = gamma q + sum (alpha_j - beta_j) s_j
        for i in range(m):
            y_r = gamma * (y_load[i] - (alpha * yy[i]).sum()) + ((alpha - beta)[:i] * sy[:i, i]).sum()
            beta[i] = inverse[i] * y_r
        weights = torch.cat([alpha - beta, -gamma * alpha])
        weights = torch.zeros_like(weights).index_copy_(0, both, weights).to(pairs.dtype)
        return downhill * gamma.to(downhill.dtype) + (weights @ pairs).reshape(downhill.shape)
