"""Where the chords of views end: where they enter an opaque insert."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import torch
from torch import Tensor

from lightlathe.dose.contours import segments
from lightlathe.quantities import Shadows

STEEPEST = 4  # bins that a surface goes back along the light over half a bin across it, to count as one surface
EARLY = 1e-4  # of a voxel, by which chords end early: where a voxel's centre lies as far, every kernel decides alike


@dataclass(frozen=True, eq=False)
class Ends:
    """The ends of the chords of some views: a voxel takes light of a bin only where it lies before the bin's end.

    shadows          the opaque cross-sections
    class_of_plane   (plane,) int64: which of them each plane (slice of the views) has, -1 for none
    angle_rad        (view,) float64
    offset_mm        (bin,) float64 s of each bin's chord
    deflection_rad   (bin,) float64 where bins are chords of their own (see Lines), None where all are parallel and even

    Of the two bins beside a voxel each counts where the voxel's t (see Views) is below that bin's own end. A chord that
    enters an insert reaches as far as the latest of three: its own and those half a bin beside it, where they enter the
    same surface. With its own alone a voxel at a surface would lose the bin on the surface's side: beside a rod of
    4 mm, in bins of 0.045 mm, the worst sees 33 % of all directions so and 47 % this way, where half is right. Inside
    the insert, where nothing is judged, light then reaches about a bin.
    Planes of a batch follow each other: plane k of many has the class of k modulo the planes here.
    """

    shadows: Shadows
    class_of_plane: Tensor
    angle_rad: Tensor
    offset_mm: Tensor
    deflection_rad: Tensor | None = None

    @staticmethod
    def of(
        shadows: Shadows,
        class_of_plane: Tensor,
        angle_rad: Tensor,
        offset_mm: Tensor,
        deflection_rad: Tensor | None = None,
    ) -> "Ends | None":
        """Those of the classes that occur; None where no plane has one."""
        used = class_of_plane[class_of_plane >= 0].unique()
        if not len(used):
            return None
        number = torch.full((shadows.covered.shape[2] + 1,), -1)  # the last entry is that of class -1
        number[used] = torch.arange(len(used))
        few = replace(shadows, covered=shadows.covered[:, :, used], class_of_slice=number[class_of_plane])
        return Ends(few, few.class_of_slice, angle_rad, offset_mm, deflection_rad)

    def classes(self, planes: int) -> Tensor:
        """(plane,) int64 of a batch of so many planes in all."""
        return self.class_of_plane.repeat(planes // len(self.class_of_plane))

    @property
    def first_bin(self) -> int:
        """The first bin of `t_mm`: bins before it, and those behind its last, end nowhere."""
        return self._found[0]

    @property
    def t_mm(self) -> Tensor:
        """(view, bin from `first_bin` on, class) float32: the t at which a chord ends; infinite where it does not.

        Computed at first use, on the CPU. Time grows with views times the voxels along the edges of the cross-sections.
        Memory: 4 bytes each.
        """
        return self._found[1]

    @cached_property
    def _found(self) -> tuple[int, Tensor]:
        x, y, start = segments(self.shadows)
        touched = (self.offset_mm.abs() <= float(np.hypot(x, y).max())).nonzero()
        bins = slice(int(touched[0]), int(touched[-1]) + 1) if len(touched) else slice(0, 1)
        count = len(self.offset_mm)
        bin_mm = float(self.offset_mm[-1] - self.offset_mm[0]) / (count - 1) if count > 1 else self.shadows.voxel_mm
        own, *beside = (self._entries(x, y, start, bins, shift, bin_mm) for shift in (0.0, -bin_mm / 2, bin_mm / 2))
        limit = own + STEEPEST * bin_mm
        latest = np.maximum.reduce([own, *(np.where(end <= limit, end, -np.inf) for end in beside)])
        return bins.start, torch.from_numpy((latest - EARLY * self.shadows.voxel_mm).astype(np.float32))

    def _entries(
        self, x: np.ndarray, y: np.ndarray, start: np.ndarray, bins: slice, shift: float, bin_mm: float
    ) -> np.ndarray:
        """(view, bin, class) float64: the t at which chords `shift` beside those of some bins enter the outlines."""
        from lightlathe.dose import ends_cpu

        angle, offset = self.angle_rad.numpy(), self.offset_mm[bins].numpy() + shift
        found = np.full((len(angle), len(offset), len(start) - 1), np.inf)
        if self.deflection_rad is not None:
            ends_cpu.of_lines(found, x, y, start, angle, offset, self.deflection_rad[bins].numpy())
        else:
            ends_cpu.of_parallel(found, x, y, start, np.cos(angle), np.sin(angle), float(offset[0]), bin_mm)
        return found
