"""Bounded limited-memory quasi-Newton steps (L-BFGS), decided on the device."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.solve.problem import Evaluated, Problem
from lightlathe.solve.step_rules import dot, free

CHUNK = {"cpu": 2**18}  # numbers of a temporary copy while inner products are taken: what a cache holds
LARGE_CHUNK = 2**24  # on cards


@dataclass(frozen=True)
class BoundedLBFGS:
    """Quasi-Newton direction from the last `memory` steps on the levels free to move, projected onto the bounds.

    memory         pairs kept; each takes twice the memory of the patterns
    first_change   size of the first step: its mean change, in units of the mean level

    One iteration is one trial. A trial that lowers the loss too little shortens the step; no decision waits for the
    host. Pairs are kept when the loss changes to its next stage: its curvature is near enough, and relearning it
    costs a quarter more iterations (benchmarks/quality.py).
    Source: Liu & Nocedal, Math. Program. 45 (1989) 503; levels at a bound that would leave it are set aside as in
    Bertsekas, SIAM J. Control Optim. 20 (1982) 221, in the pairs as well as in the gradient.
    """

    memory: int = 10
    first_change: float = 0.1

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        m, n, device = self.memory, patterns.numel(), patterns.device
        return {
            "trial": patterns,
            "patterns": patterns,
            "gradient": torch.zeros_like(patterns),
            "direction": torch.zeros_like(patterns),
            "changes": torch.zeros(m, n, device=device, dtype=patterns.dtype),
            "bends": torch.zeros(m, n, device=device, dtype=patterns.dtype),  # changes of the gradient
            "age": torch.zeros(m, device=device, dtype=torch.int64),  # serial number of the pair in each slot, 0: none
            "value": torch.full((), torch.nan, device=device, dtype=torch.float64),
            "step": torch.ones((), device=device, dtype=torch.float64),
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return {**state, "trial": state["patterns"], "value": torch.full_like(state["value"], torch.nan)}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        x, g, d, value, step = (state[k] for k in ("patterns", "gradient", "direction", "value", "step"))
        first = value.isnan()
        change, bend = at.patterns - x, at.gradient - g
        promised, gained = dot(g, change), at.value - value
        accepted = first | (gained <= 1e-4 * promised)
        changes, bends, age = self._learn(state, change, bend, ~first)

        x = torch.where(accepted, at.patterns, x)
        g = torch.where(accepted, at.gradient, g)
        value = torch.where(accepted, at.value.to(torch.float64), value)
        movable = free(x, g, problem.limit)
        downhill = g * movable
        fresh = _inverse_times(downhill, movable, changes, bends, age, opening=self.first_change * x.abs().sum())
        fresh = fresh.mul_(movable).neg_()
        fresh = torch.where(dot(fresh, downhill) < 0, fresh, -downhill)
        d = torch.where(accepted, fresh, d)
        shorter = step * (-0.5 * promised / (gained - promised)).clamp(0.1, 0.5).nan_to_num(0.5)
        step = torch.where(accepted, 1.0, shorter)
        return {
            "trial": (x + d * step.to(x.dtype)).clamp_(0, problem.limit),
            "patterns": x,
            "gradient": g,
            "direction": d,
            "changes": changes,
            "bends": bends,
            "age": age,
            "value": value,
            "step": step,
        }

    def _learn(self, state: dict[str, Tensor], change: Tensor, bend: Tensor, known: Tensor) -> tuple[Tensor, ...]:
        """Put the pair in the oldest slot if the loss curves upward along it; in place, for want of memory.

        A rejected trial teaches as well. Doing it twice from one state gives the same: an interrupt does no harm.
        """
        age = state["age"]
        slot = age.argmin().reshape(1)
        upward = dot(change, bend) > 1e-10 * torch.sqrt(dot(change, change) * dot(bend, bend))
        keep = known & upward
        for name, vector in (("changes", change), ("bends", bend)):
            row = torch.where(keep, vector.flatten(), state[name].index_select(0, slot)[0])
            state[name].index_copy_(0, slot, row[None])
        number = torch.where(keep, age.amax() + 1, age.index_select(0, slot)[0])
        return state["changes"], state["bends"], age.index_copy(0, slot, number.reshape(1))


def _inverse_times(
    downhill: Tensor, movable: Tensor, changes: Tensor, bends: Tensor, age: Tensor, *, opening: Tensor
) -> Tensor:
    """H times the free gradient: the two-loop recursion as two triangular solves on the inner products of the pairs.

    With S, Y the free parts of the pairs, oldest first: alpha solves triu(S'Y) alpha = S'q, beta solves
    tril(Y'S) beta = c Y'(q - Y alpha) + tril(Y'S, -1) alpha, and H q = c (q - Y alpha) + S (alpha - beta).
    Without pairs, the direction is the gradient, scaled so that its sum of moduli is `opening`.
    """
    order = age.argsort()
    changes_changes, changes_bends, bends_bends, changes_load, bends_load = (
        table[order] if table.ndim == 1 else table[order][:, order]
        for table in _products(changes, bends, downhill, movable)
    )
    curvature = changes_bends.diagonal()
    size = torch.sqrt(changes_changes.diagonal() * bends_bends.diagonal())
    valid = (age[order] > 0) & (curvature > 1e-10 * size)
    both = valid[:, None] & valid[None, :]
    sy = torch.where(both, changes_bends, torch.eye(len(age), device=age.device, dtype=torch.float64))
    alpha = _triangular(sy, torch.where(valid, changes_load, 0.0), upper=True)

    newest = torch.where(valid, torch.arange(len(age), device=age.device), -1).amax()
    at = newest.clamp(min=0).reshape(1)
    learnt = (curvature.index_select(0, at) / bends_bends.diagonal().index_select(0, at))[0]
    naive = opening.to(torch.float64) / downhill.abs().sum().to(torch.float64).clamp(min=1e-300)
    scale = torch.where(newest >= 0, learnt, naive)

    lower = sy.T.tril(-1)
    right = scale * (bends_load - bends_bends @ alpha) + lower @ alpha
    beta = _triangular(sy.T, torch.where(valid, right, 0.0), upper=False)

    back = torch.empty_like(order).scatter_(0, order, torch.arange(len(age), device=age.device))
    on_changes = (alpha - beta)[back].to(downhill.dtype)
    on_bends = (-scale * alpha)[back].to(downhill.dtype)
    flat = downhill.flatten() * scale.to(downhill.dtype)
    return flat.add_(on_changes @ changes).add_(on_bends @ bends).reshape(downhill.shape)


def _triangular(matrix: Tensor, right: Tensor, *, upper: bool) -> Tensor:
    return torch.linalg.solve_triangular(matrix.triu() if upper else matrix.tril(), right[:, None], upper=upper)[:, 0]


def _products(changes: Tensor, bends: Tensor, downhill: Tensor, movable: Tensor) -> list[Tensor]:
    """S'S, S'Y, Y'Y, S'q, Y'q over the free levels, in float64; a piece at a time, to hold no second copy."""
    m, n = changes.shape
    width = max(1, CHUNK.get(changes.device.type, LARGE_CHUNK) // m)
    total: list[Tensor] = []
    for start in range(0, n, width):
        piece = slice(start, start + width)
        mask, q = movable.flatten()[piece], downhill.flatten()[piece]
        s, y = changes[:, piece] * mask, bends[:, piece] * mask
        new = [s @ s.T, s @ y.T, y @ y.T, s @ q, y @ q]
        total = [t.to(torch.float64) + (total[i] if total else 0) for i, t in enumerate(new)]
    return total
