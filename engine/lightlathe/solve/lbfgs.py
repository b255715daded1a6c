"""Bounded limited-memory quasi-Newton steps (L-BFGS), decided on the device."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.solve.lbfgs_passes import Products
from lightlathe.solve.passes import keep_if, passes_for
from lightlathe.solve.problem import Evaluated, Problem


@dataclass(frozen=True)
class BoundedLBFGS:
    """Quasi-Newton direction from the last `memory` steps on the levels free to move, projected onto the bounds.

    memory         pairs kept; each takes twice the memory of the patterns
    pair_bits      32, or 16: the pairs as bfloat16, half the memory and half of what a card reads; same windows
                   (benchmarks/GPU.md)
    first_change   size of the first step: its mean change, in units of the mean level

    One iteration is one trial. A trial that lowers the loss too little teaches as well: the next goes half as far, in
    the direction that all pairs give, its own among them. No decision waits for the host. Pairs are kept when the loss
    changes to its next stage: its curvature is near enough, and relearning it costs a quarter more iterations
    (benchmarks/quality.py).
    Source: Liu & Nocedal, Math. Program. 45 (1989) 503; levels at a bound that would leave it are set aside as in
    Bertsekas, SIAM J. Control Optim. 20 (1982) 221, in the pairs as well as in the gradient.
    """

    memory: int = 10
    first_change: float = 0.1
    pair_bits: int = 16

    def __post_init__(self) -> None:
        if self.memory < 1 or self.pair_bits not in (16, 32):
            raise JobError(
                f"bounded_lbfgs: memory is {self.memory} and pair_bits {self.pair_bits}; expected 1 pair or more, "
                "and 16 or 32 bits."
            )

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        m, n, device = self.memory, patterns.numel(), patterns.device
        dtype = torch.int16 if self.pair_bits == 16 else patterns.dtype  # the bits of bfloat16
        return {
            "trial": patterns,
            "patterns": patterns,
            "gradient": torch.zeros_like(patterns),
            "changes": torch.zeros(m, n, device=device, dtype=dtype),
            "bends": torch.zeros(m, n, device=device, dtype=dtype),  # changes of the gradient
            "age": torch.zeros(m, device=device, dtype=torch.int64),  # serial number of the pair in each slot, 0: none
            "value": torch.full((), torch.nan, device=device, dtype=torch.float64),
            "step": torch.ones((), device=device, dtype=torch.float64),
            "promised": torch.zeros((), device=device, dtype=torch.float64),  # change of the loss at the slope of now
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return {**state, "trial": state["patterns"], "value": torch.full_like(state["value"], torch.nan)}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        x, g, value, age = (state[k] for k in ("patterns", "gradient", "value", "age"))
        passes, tried = passes_for("lbfgs", x), at.patterns
        first = value.isnan()
        accepted = first | (at.value - value <= 1e-4 * state["promised"].clamp(max=0))
        step = torch.where(accepted, 1.0, state["step"] / 2)

        slot = age.argmin().reshape(1)
        products = passes.learnt(
            accepted, ~first, slot, tried, at.gradient, x, g, state["changes"], state["bends"], limit=problem.limit
        )
        # the pair counts if the loss curves upward along it
        sound = products.curved > 1e-10 * torch.sqrt(products.moved * products.bent)
        number = torch.where(sound, age.amax() + 1, 0)
        age = age.index_copy(0, slot, torch.where(first, age.index_select(0, slot)[0], number).reshape(1))
        factors = _inverse_times(products, age, opening=self.first_change * products.levels)
        x, g = keep_if(~accepted, x, tried), keep_if(~accepted, g, at.gradient)
        trial, promised = passes.combined(x, g, state["changes"], state["bends"], *factors, step, limit=problem.limit)
        return {
            "trial": trial,
            "patterns": x,
            "gradient": g,
            "changes": state["changes"],
            "bends": state["bends"],
            "age": age,
            "value": torch.where(accepted, at.value.to(torch.float64), value),
            "step": step,
            "promised": promised,
        }


def _inverse_times(products: Products, age: Tensor, *, opening: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Factors of q, of the rows of S and of those of Y in H q, the two-loop recursion as two triangular solves.

    With S, Y the free parts of the pairs, oldest first: alpha solves triu(S'Y) alpha = S'q, beta solves
    tril(Y'S) beta = c Y'(q - Y alpha) + tril(Y'S, -1) alpha, and H q = c (q - Y alpha) + S (alpha - beta).
    Without pairs H q is the gradient, scaled so that its sum of moduli is `opening`; where rounding has turned H q
    uphill it is the gradient as it is.
    """
    order = age.argsort()
    own, change_load, bend_load = (table[order] for table in (products.change_change, *products[3:5]))
    change_bend, bend_bend = (table[order][:, order] for table in products[1:3])
    curvature = change_bend.diagonal()
    valid = (age[order] > 0) & (curvature > 1e-10 * torch.sqrt(own * bend_bend.diagonal()))
    both = valid[:, None] & valid[None, :]
    sy = torch.where(both, change_bend, torch.eye(len(age), device=age.device, dtype=torch.float64))
    alpha = _triangular(sy, torch.where(valid, change_load, 0.0), upper=True)

    newest = torch.where(valid, torch.arange(len(age), device=age.device), -1).amax()
    at = newest.clamp(min=0).reshape(1)
    learnt = (curvature.index_select(0, at) / bend_bend.diagonal().index_select(0, at))[0]
    naive = opening / products.size.clamp(min=1e-300)
    scale = torch.where(newest >= 0, learnt, naive)

    lower = sy.T.tril(-1)
    right = scale * (bend_load - bend_bend @ alpha) + lower @ alpha
    beta = _triangular(sy.T, torch.where(valid, right, 0.0), upper=False)

    on_changes, on_bends = alpha - beta, -scale * alpha
    steepness = scale * products.load + on_changes @ change_load + on_bends @ bend_load  # <q, H q>
    downhill = steepness > 0
    back = torch.empty_like(order).scatter_(0, order, torch.arange(len(age), device=age.device))
    return (
        torch.where(downhill, scale, 1.0),
        torch.where(downhill, on_changes[back], 0.0),
        torch.where(downhill, on_bends[back], 0.0),
    )


def _triangular(matrix: Tensor, right: Tensor, *, upper: bool) -> Tensor:
    return torch.linalg.solve_triangular(matrix.triu() if upper else matrix.tril(), right[:, None], upper=upper)[:, 0]
