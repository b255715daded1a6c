"""Volumes: the part wanted in the vial, what a loss compares a dose with, the predicted print."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.quantities.codes import at_hand
from lightlathe.quantities.grid import Grid
from lightlathe.quantities.in_slices import Volume, Where, any_in_slices, slices_of, unpacked_from
from lightlathe.quantities.packed import Packed
from lightlathe.support.sums import exact_total

IGNORED, LIQUID, SOLID = 0, 1, 2  # the values of Part.judged
HALF = 0.5 - 2.0**-10  # covered share from which a voxel belongs to a solid: a face through its centre, in float32


@dataclass(frozen=True)
class Target:
    """What a loss compares a dose with. `solid` and `liquid` are disjoint; voxels in neither are not judged.

    solid, liquid   (x, y, z) bool. A target that only serves to take slices of (`of_slices`) may hold the codes of a
                    large grid in place of them, packed: see Where
    weight          (x, y, z) float or None: how much a voxel counts, 1 where None
    dose            (x, y, z) float or None: wanted dose in units of the gel dose, for graded parts
    repeats         (z,) int or None: how many equal slices of the part each one stands for, 1 where None
    """

    solid: Tensor
    liquid: Tensor
    weight: Tensor | None = None
    dose: Tensor | None = None
    repeats: Tensor | None = None

    def __post_init__(self) -> None:
        has_axes("liquid", self.liquid, ("x", "y", "z"), self.solid.shape)
        for name in ("weight", "dose"):
            extra = getattr(self, name)
            if extra is not None:
                has_axes(name, extra, ("x", "y", "z"), self.solid.shape)
        if self.repeats is not None:
            has_axes("repeats", self.repeats, ("z",), self.solid.shape[2:])

    def unpacked(self) -> "Target":
        """The same with tensors in place of packed codes."""
        solid, liquid = (v.unpacked() if isinstance(v, Where) else v for v in (self.solid, self.liquid))
        return Target(solid, liquid, self.weight, self.dose, self.repeats)

    def of_slices(self, index: Tensor, device: torch.device | None = None) -> "Target":
        """The target of some slices, `index` (slice,) int64; on another device where one is named.

        Without one, packed codes stay packed.
        """
        index = index.to(self.solid.device)

        def taken(volume: Any) -> Any:
            if isinstance(volume, Where) and device is None:
                return volume.picked(index)
            return volume[..., index].contiguous().to(device or volume.device)

        more = (None if volume is None else taken(volume) for volume in (self.weight, self.dose, self.repeats))
        return Target(taken(self.solid), taken(self.liquid), *more)

    @cached_property
    def with_part(self) -> Tensor:
        """(z,) bool: slices that hold some of the part; computed at first use."""
        return any_in_slices(self.solid)

    @cached_property
    def with_surroundings(self) -> Tensor:
        """(z,) bool: slices in which something must stay liquid; computed at first use."""
        return any_in_slices(self.liquid)

    @cached_property
    def judged_weight(self) -> Tensor:
        """0-d float64: sum of the weights of all judged voxels; computed at first use."""
        judged = self.solid | self.liquid
        return judged.sum(dtype=torch.float64) if self.weight is None else exact_total(judged * self.weight)

    @cached_property
    def heaviest(self) -> Tensor:
        """0-d float64: the largest weight of any voxel; computed at first use."""
        one = torch.ones((), device=self.solid.device, dtype=torch.float64)
        return one if self.weight is None else self.weight.amax().to(torch.float64)


@dataclass(frozen=True)
class Absorbing:
    """Inserts of one absorption: (x, y, z) float32 in 0..1, what they cover of each voxel; 1/mm, base e."""

    covered: Volume
    absorption_per_mm: float


@dataclass(frozen=True)
class Part:
    """The solid wanted, as voxels of one grid.

    Volumes of a large grid are packed (quantities/packed.py).

    coverage   (x, y, z) float32 in 0..1: covered fraction of each voxel
    judged     (x, y, z) uint8: IGNORED (outside the vial, tolerance band, insert), LIQUID or SOLID
    insert     (x, y, z) float32 in 0..1: the same of what sits in the vial already; None where nothing does
    whole      (x, y, z) uint8: as `judged`, with the tolerance band judged as well; None where there is no band
    opaque     (x, y, z) float32 in 0..1: as `insert`, of those that light does not enter; None where there are none
    absorbing  those whose absorption is given, together where it is the same
    """

    grid: Grid
    coverage: Volume
    judged: Volume
    insert: Volume | None = None
    whole: Volume | None = None
    opaque: Volume | None = None
    absorbing: tuple[Absorbing, ...] = ()

    def __post_init__(self) -> None:
        for name in ("coverage", "judged", "insert", "whole", "opaque"):
            volume = getattr(self, name)
            if volume is not None:
                has_axes(name, volume, ("x", "y", "z"), self.grid.shape)
        for each in self.absorbing:
            has_axes("absorbing", each.covered, ("x", "y", "z"), self.grid.shape)

    def printed(self, taken: slice = slice(None)) -> Tensor:
        """(x, y, z) in 0..1: covered fraction of each voxel of some slices, less what an insert takes of it."""
        covered = self.coverage[:, :, taken]
        return covered if self.insert is None else (covered - self.insert[:, :, taken]).clamp(min=0)

    @property
    def volume_mm3(self) -> float:
        """Volume to print, without inserts."""
        total = sum(float(exact_total(self.printed(taken))) for taken, _ in slices_of(self.coverage))
        return total * self.grid.voxel_mm**3

    @cached_property
    def reach_mm(self) -> float:
        """How far from the axis voxels that are at least half covered reach; computed at first use."""
        columns = torch.zeros(self.grid.shape[:2], dtype=torch.bool)
        for _, (covered,) in slices_of(self.coverage):
            columns |= (covered >= HALF).any(2).cpu()
        return float(self.grid.radius_mm()[columns].max()) + self.grid.voxel_mm / 2 if bool(columns.any()) else 0.0

    def to(self, device: torch.device | str) -> "Part":
        return self._each(lambda volume: volume.to(device))

    def unpacked(self) -> "Part":
        """The same with tensors in place of packed volumes."""
        return self._each(unpacked_from)

    def _each(self, made: Callable[[Volume], Volume]) -> "Part":
        """With made(volume) in place of each volume."""
        insert, whole, opaque = (None if v is None else made(v) for v in (self.insert, self.whole, self.opaque))
        absorbing = tuple(Absorbing(made(each.covered), each.absorption_per_mm) for each in self.absorbing)
        return Part(self.grid, made(self.coverage), made(self.judged), insert, whole, opaque, absorbing)

    def target(self, device: torch.device | str = "cpu", near: torch.device | None = None) -> Target:
        """What a loss compares a dose with, on a device. Packed codes are not unpacked in main memory: the target then
        gives slices alone, from codes on the device `near`, where one is named."""
        judged = self.judged
        if isinstance(judged, Packed) and torch.device(device).type == "cpu":
            judged = judged if near is None else at_hand(judged, near)
            codes: Any = (Where(judged, SOLID), Where(judged, LIQUID))
            return Target(*codes)
        judged = judged.to(device)
        return Target(solid=judged == SOLID, liquid=judged == LIQUID)


@dataclass(frozen=True)
class FineShape:
    """The true shape on a finer grid, on which prints are judged: what each voxel must become.

    Volumes of a large grid are packed (quantities/packed.py).

    judged   (x, y, z) uint8 of IGNORED, LIQUID and SOLID, the whole shape: no tolerance band is left out
    banded   (x, y, z) uint8: the same with the tolerance band IGNORED; None where there is no band
    """

    grid: Grid
    judged: Volume
    banded: Volume | None = None

    def __post_init__(self) -> None:
        has_axes("judged", self.judged, ("x", "y", "z"), self.grid.shape)
        if self.banded is not None:
            has_axes("banded", self.banded, ("x", "y", "z"), self.grid.shape)

    def unpacked(self) -> "FineShape":
        """The same with tensors in place of packed volumes."""
        banded = None if self.banded is None else unpacked_from(self.banded)
        return FineShape(self.grid, unpacked_from(self.judged), banded)

    def to(self, device: torch.device | str) -> "FineShape":
        banded = None if self.banded is None else self.banded.to(device)
        return FineShape(self.grid, self.judged.to(device), banded)


@dataclass(frozen=True)
class Prediction:
    """The predicted print. Volumes of a large grid are packed (quantities/packed.py).

    dose      (x, y, z) float32, mJ/cm3 after the planned exposure; 0 outside the vial. Packed, rounded as in a file
    solid     (x, y, z) bool, predicted solid
    quality   figures by name, plain numbers (NaN where undefined); see judge/quality.py
    fine_solid   (x, y, z) bool, predicted solid on the finer grid; None where the print was not judged there
    """

    dose: Volume
    solid: Volume
    quality: dict[str, float] = field(default_factory=dict)
    fine_solid: Volume | None = None
