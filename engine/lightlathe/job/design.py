"""How a job asks for its design: solver, loss, initial guess, scenarios, stages."""

import math
from dataclasses import dataclass, fields
from typing import Literal

from lightlathe.dose.kernels import KERNELS
from lightlathe.errors import JobError, shown
from lightlathe.families import Loss, Penalty, Stop
from lightlathe.job.bounds import positive
from lightlathe.losses import SoftWindow
from lightlathe.solve import Auto, Filtered, Solver, Start

MAX_SCENARIOS = 1000  # each has a dose operator of its own, and a volume


@dataclass(frozen=True)
class Robust:
    """Scenarios that must all print at one exposure: every combination of the values listed."""

    absorption_percent: tuple[float, ...] = (0.0,)
    dose_percent: tuple[float, ...] = (0.0,)
    axis_offset_mm: tuple[float, ...] = (0.0,)

    def __post_init__(self) -> None:
        for f in fields(self):
            if not getattr(self, f.name):
                raise JobError(f"{f.name} is an empty list; expected one number or more, 0 for the plain case.")
        for name in ("absorption_percent", "dose_percent"):
            if min(getattr(self, name)) < -99:
                raise JobError(f"{name} holds {min(getattr(self, name))}; expected changes of -99 percent or more.")
        count = math.prod(len(getattr(self, f.name)) for f in fields(self))
        if count > MAX_SCENARIOS:
            raise JobError(f"the lists make {count} scenarios; expected {MAX_SCENARIOS} at most.")


@dataclass(frozen=True)
class CoarseStage:
    """A coarse-to-fine stage: a design on coarser voxels, the initial guess of the next."""

    coarser: float
    iterations: int

    def __post_init__(self) -> None:
        positive("design.ladder", iterations=self.iterations)
        if not self.coarser > 1:
            raise JobError(f"coarser is {self.coarser}; expected how many times larger the voxels are, above 1.")


@dataclass(frozen=True)
class Design:
    """How the patterns are designed.

    weight        coverage: a voxel counts by how clearly it is in or out; even: all count alike
    part_weight   how much a voxel of the part counts against one outside it
    penalties     terms on the patterns, added to the loss
    stop          rules for stopping early
    robust        scenarios that must all print
    ladder        coarse-to-fine stages, coarsest first; see CoarseStage
    iterations    auto: as many as it takes (flow/until_done.py)
    bound_iterations   steps on the upper bound of the window; 0: no certificate; auto: while it falls, in
                  half the time of the iterations at most, on a CPU a quarter
    rounding_iterations   steps spent on choosing between the levels above and below; left out: up to 40, where the
                  nearest ones cost more than 0.001 of the window, and none with `wanted_dose`
    seed          of the random numbers that a loss of your own may draw; nothing else here is random
    level_limit   no pixel brighter than this many times the even level that would just cure the part
    tolerance_mm, tolerance_voxels   band along the surface that is left out of design and judging; one of the two
    memory_limit_gb   memory that arrays may take on the device, on a CPU that of the whole program; left out: what is
                  free. With less than all slices need, they are designed and judged slab after slab
    slab_slices   slices that are designed at a time, as far as memory holds them; left out: as many as it does. A
                  design in slabs of one size is the same bit for bit on one process and on several
    precision     half: GPU kernels may round light and weights to 11 bits, all else is float32; single: nothing is
                  rounded so; double: float64 throughout (CPU, or the reference kernel)
    """

    loss: Loss = SoftWindow()  # noqa: RUF009, frozen
    solver: Solver | Auto = Auto()  # noqa: RUF009, frozen
    start: Start = Filtered()  # noqa: RUF009, frozen
    weight: Literal["coverage", "even"] = "even"
    part_weight: float = 1.0
    penalties: tuple[Penalty, ...] = ()
    stop: Stop | None = None
    robust: Robust | None = None
    ladder: tuple[CoarseStage, ...] = ()
    iterations: int | Literal["auto"] = "auto"
    bound_iterations: int | Literal["auto"] = "auto"
    rounding_iterations: int | None = None
    level_limit: float = 10.0
    tolerance_mm: float = 0.0
    tolerance_voxels: float = 0.0
    seed: int = 0
    kernel: str = "auto"
    device: str = "auto"
    memory_limit_gb: float | None = None
    slab_slices: int | None = None
    precision: Literal["half", "single", "double"] = "half"

    def __post_init__(self) -> None:
        positive(
            "design", level_limit=self.level_limit, memory_limit_gb=self.memory_limit_gb, slab_slices=self.slab_slices
        )
        if self.iterations != "auto":
            positive("design", iterations=self.iterations)
        if self.kernel not in ("auto", *KERNELS):
            raise JobError(f"kernel is {shown(self.kernel)}; expected 'auto' or one of {', '.join(KERNELS)}.")
        if not 1e-3 <= self.part_weight <= 1e3:
            raise JobError(f"part_weight is {self.part_weight}; expected 0.001 to 1000.")
        widths = [stage.coarser for stage in self.ladder if isinstance(stage, CoarseStage)]
        if widths != sorted(widths, reverse=True):
            raise JobError(
                f"ladder has voxels {shown(widths)} times larger, in this order; expected the coarsest first."
            )
        for name in ("bound_iterations", "rounding_iterations"):
            value = getattr(self, name)
            if value not in (None, "auto") and value < 0:
                raise JobError(f"{name} is {value}; expected 0 or more.")
        if not 0 <= self.seed < 2**63:
            raise JobError(f"seed is {self.seed}; expected a whole number from 0 to 2^63 - 1.")
        for name in ("tolerance_mm", "tolerance_voxels"):
            if getattr(self, name) < 0:
                raise JobError(f"{name} is {getattr(self, name)}; expected 0 or more.")
        if self.tolerance_mm and self.tolerance_voxels:
            raise JobError("tolerance_mm and tolerance_voxels are both given; expected one of them.")

    @property
    def scenarios(self) -> int:
        """How many are designed for together, the plain one counted; 0 for a plain design."""
        robust = self.robust
        return 0 if robust is None else 1 + math.prod(len(getattr(robust, f.name)) for f in fields(robust))
