"""Bounded L-BFGS for every slice on its own, all slices in one batch, decided on the device."""

from dataclasses import dataclass
from typing import Any, ClassVar

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.gpu.forms import form_for
from lightlathe.solve.moves import Coded, Move, Point
from lightlathe.solve.problem import Evaluated
from lightlathe.solve.reference.slicewise import Products, empty_pairs
from lightlathe.support.sums import matmul

MAX_PAIRS = 10
LARGEST_FACTOR = 1e30  # that a direction in float32 takes
NEAR, FAR, RELAXED = 2.0, 1e6, 0.9  # least and largest reach of coupled rows; what an accepted step leaves of it


@dataclass(frozen=True)
class SlicewiseLBFGS:
    """`bounded_lbfgs` with a step, an acceptance and curvature pairs of each slice's own.

    memory         pairs kept, of 8 bits a number: each takes half the memory of the patterns
    first_change   size of the first step: its mean change in each slice, in units of the slice's mean level

    Where every slice is lit by a row of its own the slices are problems of their own, and one step length, one
    acceptance and one curvature for all of them are what a joint solver loses by at real sizes (benchmarks/QUALITY.md).
    It takes a loss that has a value for each slice (`soft_window`), and leaves every slice on the same threshold.
    Where rows reach into several slices, and with a loss of one value, one value decides on one step for all. Each row
    still has a direction of its own, from the pairs as they lie in it and in the rows beside it: a row alone knows
    nothing of what its neighbours do to the slices it lights, and its steps are refused more often than not. After a
    refused step twice as many rows count, at last all of them alike.
    Source: Liu & Nocedal, Math. Program. 45 (1989) 503; levels at a bound as in Bertsekas, SIAM J. Control Optim. 20
    (1982) 221.
    """

    memory: int = 5
    first_change: float = 0.1
    by_slice: ClassVar[bool] = True  # the loop keeps the best patterns of each slice; see solve/design.py

    def __post_init__(self) -> None:
        if not 1 <= self.memory <= MAX_PAIRS:
            raise JobError(f"slicewise_lbfgs: memory is {self.memory}; expected 1 to {MAX_PAIRS} pairs, 5 do well.")

    def begin(self, patterns: Tensor, problem: Any) -> dict[str, Tensor]:
        rows, device = patterns.shape[2], patterns.device
        pairs = empty_pairs(2 * self.memory, tuple(patterns.shape), device)
        change = empty_pairs(1, tuple(patterns.shape), device)
        return {
            "trial": patterns,
            "patterns": patterns,
            "gradient": torch.zeros_like(patterns),
            "codes": pairs.codes,
            "scales": pairs.scales,
            "change": change.codes[0],  # from the patterns to the trial
            "change_scales": change.scales[0],
            "valid": torch.zeros(self.memory, rows, device=device, dtype=torch.bool),
            "slot": torch.full((), -1, device=device, dtype=torch.int32),  # of the newest pair
            "value": torch.full((rows,), torch.nan, device=device, dtype=torch.float64),
            "step": torch.ones(rows, device=device, dtype=torch.float64),
            "predicted": torch.zeros(rows, device=device, dtype=torch.float64),  # change of the loss, to first order
            "reach": torch.full((), NEAR, device=device, dtype=torch.float64),  # of coupled rows; see `_nearby`
        }

    def of_slices(self, state: dict[str, Tensor], places: Tensor) -> dict[str, Tensor]:
        """The state of some of its slices, `places` (slice,) int64, which go on as they would among the others."""
        axis = {"codes": -2, "change": -2}  # four columns of a slice lie together in codes
        return {
            name: held if held.ndim == 0 else held.index_select(axis.get(name, -1), places)
            for name, held in state.items()
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return {**state, "trial": state["patterns"], "value": torch.full_like(state["value"], torch.nan)}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Any) -> dict[str, Tensor]:
        """The next state; `at.value` is (row,), or 0-d where slices are coupled. Writes pairs in place.

        A step done again from its state does the same. On a GPU a refused trial is overwritten.
        """
        x, g, value = (state[k] for k in ("patterns", "gradient", "value"))
        pairs, change = Coded(state["codes"], state["scales"]), Coded(state["change"], state["change_scales"])
        updates = form_for("slicewise", x)
        new_value, predicted = at.value.to(torch.float64), state["predicted"]
        coupled = new_value.ndim == 0
        if coupled:
            new_value, predicted = new_value.expand_as(value), predicted.sum().expand_as(value)
        first = value.isnan()
        accepted = first | (new_value - value <= 1e-4 * predicted.clamp(max=0))
        step = torch.where(accepted, 1.0, state["step"] / 2)
        reach = state["reach"]
        slot = torch.remainder(state["slot"] + 1, self.memory)
        move = Move(accepted, Point(at.patterns, at.gradient), Point(x, g))
        found = updates.products(move, slot, change, pairs, limit=problem.limit)
        if coupled:
            reach = torch.where(accepted[0], (RELAXED * reach).clamp(min=NEAR), (2 * reach).clamp(max=FAR))
            found = _nearby(found, reach)
        valid = state["valid"].index_copy(0, slot.long().reshape(1), (~first)[None])
        factors = updates.factors(found, valid, slot, first_change=self.first_change)
        sound = (factors.abs() <= LARGEST_FACTOR).all(0)  # of a slice at its optimum, pairs are rounding errors
        factors = torch.where(sound, factors, 0.0)  # which then stays where it is
        (x, g), trial, predicted, change = updates.stepped(move, pairs, factors, step, limit=problem.limit)
        return {
            "trial": trial,
            "patterns": x,
            "gradient": g,
            "codes": pairs.codes,
            "scales": pairs.scales,
            "change": change.codes,
            "change_scales": change.scales,
            "valid": valid,
            "slot": slot,
            "value": torch.where(accepted, new_value, value),
            "step": step,
            "predicted": predicted,
            "reach": reach,
        }


def _nearby(found: Products, reach: Tensor) -> Products:
    """Of each row the sums of its own and other rows' products, with weights exp(-rows between them / reach).

    Factors depend on how products compare, not on their size. A reach of all rows gives every row the same: those of
    one direction for the whole, as `bounded_lbfgs` has it.
    """
    row = torch.arange(found.gram.shape[2], device=reach.device, dtype=torch.float64)
    weight = torch.exp(-(row[:, None] - row).abs() / reach)
    return Products(*(matmul(one.reshape(-1, len(row)), weight).reshape(one.shape) for one in found))
