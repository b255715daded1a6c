"""The process window itself, softened: the worst voxels of both classes, by a log-sum-exp of rising sharpness."""

import math
from dataclasses import dataclass, replace
from typing import ClassVar

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check
from lightlathe.quantities import Target
from lightlathe.support.sums import log_of_sum

SHARP, GROWTH, SHARPEST = 100.0, 2.2, 3000.0  # last sharpness where none is given: least, with iterations, most
STAGE, RAMP = 10, 300  # iterations of a stage, and in all, where nothing else is said
LEAST_STAGES, MOST_STAGES = 8, 1000
JOINED, SHARE_JOINED = 20.0, 1 / 12  # q where none is given: least, and share of the last k


@dataclass(frozen=True)
class SoftWindow:
    """log(mean over slices of exp(q S)) / q, S = log(sum w exp(k (1 - D)) in the part + sum w exp(k (D - 1))) / k.

    D is in units of the gel dose, w are the weights, the second sum runs over all voxels outside the part, and each S
    holds exp(-k) as well: a slice is as good as it gets when the part has twice the gel dose and the rest none.
    For k to infinity the S of each slice tends to
    max(1 - min D in the part, max D elsewhere - 1), whose least value over patterns of any scale is (r - 1) / (r + 1)
    for r = max elsewhere / min in the part: the widest relative window 1 - r. S exceeds that limit by at most
    log(number of judged voxels in the slice + 1) / k.

    softest, sharpest   k of the first and the last stage, without unit; it rises geometrically in between. `sharpest`
                        left out: 2.2 n^(4/3) for n iterations, 100 to 3000
    stages              how many values k takes; left out: one for every ten iterations, 8 or more
    last_share          share of the iterations that the last stage has
    slice_sharpness     q, at most k; left out: a twelfth of `sharpest`, 20 or more. Rows that reach into two slices let
                        one slice gain at another's cost: a plain mean (q = 0) would give the worst one up. Very large q
                        forgets all but the worst, so that in few iterations, where no light prints it, the others are
                        given up with it. Measured: benchmarks/QUALITY.md.

    Use it for a wide process window. A sharper last stage takes more iterations to be worth it; many short stages lose
    less than a few long ones (benchmarks/QUALITY.md). Called without a stage it means its last.
    Source: bounds of the log-sum-exp, Boyd & Vandenberghe, Convex Optimization (2004), section 3.1.5.
    """

    fused: ClassVar[str] = "soft_window"
    softest: float = 10.0
    sharpest: float | None = None
    stages: int | None = None
    last_share: float = 0.1
    slice_sharpness: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.softest <= self.sharpness <= 1e5:
            raise JobError(
                f"soft_window: softest is {self.softest} and sharpest {self.sharpness}; "
                "expected 0 < softest <= sharpest <= 1e5."
            )
        if not 1 <= (self.stages or 1) <= MOST_STAGES or self.stages == 0 or not 0 < self.last_share <= 1:
            raise JobError(
                f"soft_window: stages is {self.stages} and last_share {self.last_share}; expected 1 to 1000 stages "
                "and a share above 0 and at most 1."
            )
        if self.slice_sharpness is not None and not self.slice_sharpness >= 0:
            raise JobError(f"soft_window: slice_sharpness is {self.slice_sharpness}; expected 0 or more.")

    @property
    def sharpness(self) -> float:
        """k of the last stage."""
        return max(SHARPEST, self.softest) if self.sharpest is None else self.sharpest

    @property
    def joining(self) -> float:
        """q, at the sharpness of the last stage."""
        q = _joining(self.sharpness) if self.slice_sharpness is None else self.slice_sharpness
        return min(q, self.sharpness)

    def over(self, iterations: int) -> "SoftWindow":
        """The loss for a design that goes through the stages in so many iterations: what was left out is chosen."""
        sharpest = min(max(GROWTH * iterations ** (4 / 3), SHARP), SHARPEST)
        stages = min(max(LEAST_STAGES, round(iterations / STAGE)), MOST_STAGES)
        sharpest = max(sharpest, self.softest) if self.sharpest is None else self.sharpest
        return replace(
            self,
            sharpest=sharpest,
            stages=stages if self.stages is None else self.stages,
            slice_sharpness=_joining(sharpest) if self.slice_sharpness is None else self.slice_sharpness,
        )

    def stage(self, share: float) -> "SoftWindow":
        """The loss of one sharpness to use when `share` (0..1) of the iterations are done."""
        loss = self.over(RAMP)
        steps = (loss.stages or 1) - 1
        if steps == 0 or share >= 1 - self.last_share:
            return replace(loss, softest=loss.sharpness, stages=1)
        number = min(steps - 1, math.floor(share / (1 - self.last_share) * steps + 1e-9))
        sharpness = self.softest * (loss.sharpness / self.softest) ** (number / steps)
        return replace(loss, softest=sharpness, sharpest=sharpness, stages=1)

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        return self._joined(self.values(dose, target))

    def values(self, dose: Tensor, target: Target) -> Tensor:
        """(slice,) S of each slice."""
        check(dose, target)
        k = self.sharpness
        excess = torch.where(target.solid, 1 - dose, torch.where(target.liquid, dose - 1, -math.inf)) * k
        if target.weight is not None:
            excess = excess + target.weight.to(dose.dtype).log()
        return log_of_sum(excess, floor=-k) / k

    def each_slice(self) -> "EachSlice":
        """The same loss without joining the slices."""
        return EachSlice(self)

    def _joined(self, worst: Tensor) -> Tensor:
        """One value of the slices', (slice,)."""
        q = self.joining
        return worst.mean() if q == 0 else ((q * worst).logsumexp(0) - math.log(len(worst))) / q

    def joined_with_gradient(self, worst: Tensor) -> tuple[Tensor, Tensor]:
        """The same, and its derivative by each slice's: shares that sum to 1."""
        return self._joined(worst), torch.softmax(self.joining * worst, 0)


def _joining(sharpest: float) -> float:
    """q where none is given, for the last sharpness of the voxels."""
    return max(JOINED, SHARE_JOINED * sharpest)


@dataclass(frozen=True)
class EachSlice:
    """A value for each slice, (slice,), which depends on that slice alone; the slope is that of their sum."""

    fused: ClassVar[str] = "soft_window"
    window: SoftWindow

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        return self.window.values(dose, target)

    @property
    def sharpness(self) -> float:
        return self.window.sharpness

    def joined_with_gradient(self, worst: Tensor) -> tuple[Tensor, Tensor]:
        return worst, torch.ones_like(worst)
