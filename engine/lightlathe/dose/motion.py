"""Continuous rotation: the dose of an image is the mean over the angles through which the vial turns meanwhile.

Light moves at most a quarter of the smaller of pixel and voxel from part to part at the part's reach, so a turn has
about 8 pi reach / pixel parts whatever the number of images: the cost is bounded. The error falls with the square of
the part: 2.7e-4 of the dose (rms) with 7 parts, 1.5e-2 for a vial that stands; larger beyond the part's reach
(benchmarks/QUALITY.md). A design takes fewer parts, or none (`few_parts`); its gradient then has no form in halves on a
card and goes there in float32.
"""

import math
from collections.abc import Callable, Sequence

import torch
from torch import Tensor

from lightlathe.dose.operator import DoseOperator
from lightlathe.dose.rebin import Directions
from lightlathe.dose.steps import step_of
from lightlathe.errors import ShapeError
from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import Grid, Optics

COARSER = 4  # factor by which `coarser` reduces the parts
MAX_LEVELS = 4_000_000  # levels: parts of a step whose images together are no more than this go through one operator
MAX_ANGLES = 2000  # of an operator made of several parts: every kernel takes as many


class Turning(LinearMap):
    """Dose of images that stand while the vial turns on, as a linear map and its exact transpose; as DoseOperator.

    Image a stands while the scan angle goes from angle_rad[a] - step / 2 to angle_rad[a] + step / 2, where step is the
    angle from one image to the next. The mean over it is taken at the middles of `parts` equal parts: DoseOperators of
    the same patterns at shifted angles, several parts in one where the images are small. Parts that are `matched` lie
    a little further apart, so that their variance is that of the whole step, step^2 / 12: better where they are few.
    Where the columns' light differs in direction (rebin.py) the views lie at the middles of the parts instead, and each
    takes what every image shines into the directions about it, so images that stand still have parts too.

    Gradient  linear; autograd works through both directions to any order.
    Memory    a volume of doses more than DoseOperator, going back an array of patterns more; copies of small images.
    Time      `parts` times that of DoseOperator.
    Repeats   as DoseOperator: the parts are added in a fixed order.
    Raises    ShapeError where the angles do not follow each other evenly.
    Source    the smear of a step, r omega / f, is common practice; the error of the mean over parts is in
              benchmarks/QUALITY.md. 2 and 3 matched parts are Chebyshev's quadrature with equal weights, exact for
              cubics: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), table 25.5.
    """

    def __init__(
        self, operator: DoseOperator, parts: int, moving: bool = True, finer: int = 1, *, matched: bool = False
    ) -> None:
        """operator   of images each at its own angle, in the units of the whole turn; parts   1 or more.

        moving    False: the vial stands still under each image, which makes a difference to rebinned light alone
        finer     bins for each column of rebinned light
        matched   see above; rebinned light needs none of it
        """
        if parts < 1:
            raise ShapeError(f"a step is cut into {parts} parts; expected 1 or more.")
        if not (moving or operator.rebinned):
            parts = 1
        offsets = Directions.even(parts, moving).offsets
        if matched and parts > 1 and not operator.rebinned:
            # the variance of the middles of the parts is step^2 / 12 (1 - 1 / parts^2)
            offsets = tuple(offset / math.sqrt(1 - 1 / parts**2) for offset in offsets)
        self.finer, self.matched = finer, matched
        angles = operator.pattern_shape[0]
        together = max(1, min(MAX_LEVELS // math.prod(operator.pattern_shape), MAX_ANGLES // angles))
        self._members = tuple(
            _Parts(operator, Directions(offsets[first : first + together], parts, moving, finer))
            for first in range(0, parts, together)
        )
        self.still, self.gain, self.parts, self.moving = operator, operator.gain, parts, moving
        self.device, self.dtype = operator.device, operator.dtype

    def like(self, still: DoseOperator) -> "Turning":
        """The same motion of other light: of `still`, images at the same angles."""
        return self.of(still, self.parts)

    def coarser(self) -> "Turning":
        """The same with a quarter of the parts (error about 3e-3 of the dose): for searches, not final figures.

        Two at least of rebinned light: one would share it between directions a whole step apart.
        """
        least = min(self.parts, 2 if self.still.rebinned else 1)
        return self.of(self.still, max(least, math.ceil(self.parts / COARSER)))

    def of(self, operator: DoseOperator, parts: int) -> "Turning":
        """The same motion of another operator, in so many parts."""
        return Turning(operator, parts, self.moving, self.finer, matched=self.matched)

    @property
    def slices_independent(self) -> bool:
        return self.still.slices_independent

    @property
    def row_of_slice(self) -> Tensor | None:
        return self.still.row_of_slice

    @property
    def light_of_slice(self) -> Tensor | None:
        return self.still.light_of_slice

    @property
    def class_of_slice(self) -> Tensor | None:
        return self.still.class_of_slice

    @property
    def straight_rays(self) -> bool:
        return self.still.straight_rays

    @property
    def grid(self) -> Grid:
        return self.still.grid

    @property
    def optics(self) -> Optics:
        """Of the images at their own angles."""
        return self.still.optics

    @property
    def kernel(self) -> str:
        return self.still.kernel

    @property
    def pattern_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        return self.still.pattern_shape

    @property
    def dose_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        return self.still.dose_shape

    def scaled(self, gain: float) -> "Turning":
        """The same map with another gain; shares everything else."""
        members = tuple(member.scaled(float(gain)) for member in self._members)
        return self._twin(self.still.scaled(float(gain)), members)

    def on(self, grid: Grid) -> "Turning":
        """The same light and the same motion on another grid, in as many parts."""
        return self._twin(self.still.on(grid), tuple(member.on(grid) for member in self._members))

    def slab(self, start: int, stop: int) -> "Turning":
        """The same light and motion on slices start..stop - 1 of the grid alone."""
        return self.on(self.grid.slab(start, stop))

    def of_its_rows(self) -> tuple[slice, "Turning"]:
        """As DoseOperator.of_its_rows."""
        rows, still = self.still.of_its_rows()
        return rows, self._twin(still, tuple(member.of_its_rows() for member in self._members))

    def of_slices(self, index: Tensor) -> "Turning":
        """The same optics and motion for some slices, each lit by a row of its own."""
        return self.like(self.still.of_slices(index))

    def within(self, light: float) -> "Turning":
        """The same for patterns guaranteed to be in 0..`light`; see DoseOperator."""
        return self._twin(self.still.within(light), tuple(member.within(light) for member in self._members))

    def __call__(self, patterns: Tensor) -> Tensor:
        """(angle, column, row) 0..1 of full irradiance -> (x, y, z) dose; batches as DoseOperator."""
        return _sum(patterns, [member.dose for member in self._members])

    def transpose(self, dose: Tensor) -> Tensor:
        """(x, y, z) -> (angle, column, row), the exact transpose in plain sums."""
        return _sum(dose, [member.transpose for member in self._members])

    def _twin(self, still: DoseOperator, members: "tuple[_Parts, ...]") -> "Turning":
        twin = object.__new__(type(self))
        twin.__dict__.update(self.__dict__, still=still, _members=members, gain=still.gain)
        return twin


class _Parts:
    """Some parts of every image's step: one operator that is shown the images once for each, or sorts them itself."""

    def __init__(self, still: DoseOperator, directions: Directions) -> None:
        if still.rebinned:
            self._copies, self._share, operator = 1, 1.0, still.towards(directions)
        else:
            self._copies, self._share = len(directions.offsets), 1 / directions.parts
            operator = _shifted(still, directions.offsets)
        self._operator = operator.scaled(still.gain * self._share)

    def scaled(self, gain: float) -> "_Parts":
        """gain   of the whole map, as everywhere"""
        return self._of(self._operator.scaled(gain * self._share))

    def within(self, light: float) -> "_Parts":
        return self._of(self._operator.within(light))

    def of_its_rows(self) -> "_Parts":
        return self._of(self._operator.of_its_rows()[1])

    def on(self, grid: Grid) -> "_Parts":
        return self._of(self._operator.on(grid))

    def dose(self, patterns: Tensor) -> Tensor:
        return self._operator(patterns if self._copies == 1 else torch.cat([patterns] * self._copies, -3))

    def transpose(self, dose: Tensor) -> Tensor:
        patterns = self._operator.transpose(dose)
        return patterns if self._copies == 1 else patterns.unflatten(-3, (self._copies, -1)).sum(-4)

    def _of(self, operator: DoseOperator) -> "_Parts":
        twin = object.__new__(type(self))
        twin._copies, twin._share, twin._operator = self._copies, self._share, operator
        return twin


def _sum(x: Tensor, maps: Sequence[Callable[[Tensor], Tensor]]) -> Tensor:
    """The sum of what linear maps make of x; in place where autograd does not watch, to save an array."""
    total, watched = maps[0](x), torch.is_grad_enabled() and x.requires_grad
    for linear in maps[1:]:
        total = total + linear(x) if watched else total.add_(linear(x))
    return total


def _shifted(operator: DoseOperator, offsets: Sequence[float]) -> DoseOperator:
    """The same optics with every image once at each offset from its angle, in steps, the first offset's first."""
    step = step_of(operator.optics.chords.angle_rad)
    if list(offsets) == [0]:
        return operator
    angle = torch.cat([operator.optics.chords.angle_rad + offset * step for offset in offsets])
    return DoseOperator(operator.optics.replace(angle_rad=angle), operator.grid, operator.backend, gain=operator.gain)
