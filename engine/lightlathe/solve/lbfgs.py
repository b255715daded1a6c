"""Bounded limited-memory quasi-Newton steps (L-BFGS), decided on the device."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.gpu.forms import form_for
from lightlathe.solve.eight_bits import BLOCK, blocks_of
from lightlathe.solve.moves import Coded, Move, Point
from lightlathe.solve.problem import Evaluated, Problem

MAX_PAIRS = 10  # more do not help, and exceed the GPU kernel's accumulators


@dataclass(frozen=True)
class BoundedLBFGS:
    """Quasi-Newton direction from the last `memory` steps on the levels free to move, projected onto the bounds.

    memory         pairs kept, of 8 bits a number (eight_bits.py): each takes half the memory of the patterns
    first_change   size of the first step: its mean change, in units of the mean level

    One iteration is one trial. A trial that lowers the loss too little also contributes a pair: the next goes half as
    far, in the direction that all pairs give, its own among them. No decision waits for the host. Pairs are kept when
    the loss changes to its next stage: its curvature is near enough, and relearning it costs a quarter more iterations
    (benchmarks/quality.py). More pairs than 5 bring little, and pairs of 8 bits lose little (benchmarks/QUALITY.md).
    Source: Liu & Nocedal, Math. Program. 45 (1989) 503; levels at a bound that would leave it are set aside as in
    Bertsekas, SIAM J. Control Optim. 20 (1982) 221, in the pairs as well as in the gradient.
    """

    memory: int = 5
    first_change: float = 0.1

    def __post_init__(self) -> None:
        if not 1 <= self.memory <= MAX_PAIRS:
            raise JobError(f"bounded_lbfgs: memory is {self.memory}; expected 1 to {MAX_PAIRS} pairs, 5 do well.")

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        m, device = self.memory, patterns.device
        blocks = blocks_of(patterns.numel())
        return {
            "trial": patterns,
            "patterns": patterns,
            "gradient": torch.zeros_like(patterns),
            "pairs": torch.zeros(blocks, 2 * m, BLOCK, device=device, dtype=torch.int8),
            "scales": torch.zeros(blocks, 2 * m, device=device, dtype=torch.float32),
            "change": torch.zeros(blocks, BLOCK, device=device, dtype=torch.int8),  # from the patterns to the trial
            "change_scales": torch.zeros(blocks, device=device, dtype=torch.float32),
            "age": torch.zeros(m, device=device, dtype=torch.int64),  # serial number of the pair in each slot, 0: none
            "value": torch.full((), torch.nan, device=device, dtype=torch.float64),
            "step": torch.ones((), device=device, dtype=torch.float64),
            "predicted": torch.zeros((), device=device, dtype=torch.float64),  # change of the loss by the gradient
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return {**state, "trial": state["patterns"], "value": torch.full_like(state["value"], torch.nan)}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        """The next state. `pairs` and `scales` are written in place, to save memory.

        Repeating a step from the same state gives the same. If not every iteration is logged, a design stopped between
        two logged ones resumes with slightly newer pairs; on a card its first step may add none, as a rejected trial is
        overwritten.
        """
        x, g, value, age = (state[k] for k in ("patterns", "gradient", "value", "age"))
        pairs, change = Coded(state["pairs"], state["scales"]), Coded(state["change"], state["change_scales"])
        passes = form_for("lbfgs", x)
        first = value.isnan()
        accepted = first | (at.value - value <= 1e-4 * state["predicted"].clamp(max=0))
        step = torch.where(accepted, 1.0, state["step"] / 2)

        slot = age.argmin().reshape(1)
        move = Move(accepted, Point(at.patterns, at.gradient), Point(x, g))
        products = passes.learnt(move, ~first, slot, change, pairs, limit=problem.limit)
        factors, age = passes.factors(products, age, slot, first, first_change=self.first_change)
        (x, g), trial, predicted, change = passes.combined(move, pairs, factors, step, limit=problem.limit)
        return {
            "trial": trial,
            "patterns": x,
            "gradient": g,
            "pairs": pairs.codes,
            "scales": pairs.scales,
            "change": change.codes,
            "change_scales": change.scales,
            "age": age,
            "value": torch.where(accepted, at.value.to(torch.float64), value),
            "step": step,
            "predicted": predicted,
        }
