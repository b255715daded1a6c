"""Optical depth that chords gather in inserts beyond the resin's: where each crosses them, and how much."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from lightlathe.dose.contours import segments
from lightlathe.dose.ends import EARLY, STEEPEST
from lightlathe.quantities import Shadows
from lightlathe.support.watching import doing, step

OPAQUE = 1e3  # the optical depth of what ends light: exp(-1000) is 0
CHORDS = 1 << 20  # that are traced at a time
STEP = 1e-6  # of a voxel, over which an opaque insert has it; no interval is shorter
Floats = NDArray[np.float64]


class Lists(NamedTuple):
    """Intervals of chords, one list for each: from start[i] to start[i + 1] those of chord
    i = (view * bins + bin) * classes + class, where bin 0 is bin `first_bin` of the views.

    start    int32; enter_mm float32 t, per_mm float32 1 / length, depth float32, over all of the interval
    soonest  (view, bin) float32: the least `enter_mm` of any class, infinite where there is no interval
    """

    first_bin: int
    bins: int
    classes: int
    start: Tensor
    enter_mm: Tensor
    per_mm: Tensor
    depth: Tensor
    soonest: Tensor


@dataclass(frozen=True, eq=False)
class Depths:
    """What inserts take of the light of chords: at t, exp(-depth), depth the sum over the insert's intervals on the
    chord of their own, times the share of each that lies before t.

    solids           cross-sections of inserts, all of one absorption each
    beyond_per_mm    what each absorbs beyond the resin: infinite of an opaque one, below 0 of one clearer than resin
    members          (class, solid) int64: the cross-section of each solid in a class of planes, -1 for none
    class_of_plane   (plane,) int64: the class of each plane (slice of the views), -1 where there is none
    angle_rad, offset_mm, deflection_rad   of the chords, as in Ends

    Of the two bins beside a voxel each has its own depth, as of opaque inserts each has its own end. Depths along a
    chord are exact for the outlines of contours.py; between two chords light is linear, so that the edge of a shadow is
    a bin wide. A chord enters an insert where the latest of it and those half a bin beside it does, for the reason in
    Ends, and has what it absorbs over a length as much shorter: that alters light inside it and what grazes it.
    Memory: 12 bytes an interval and 4 a view, class and bin that meets an insert; for a rod 16 in all. Some 100 MB more
    while they are made.
    """

    solids: tuple[Shadows, ...]
    beyond_per_mm: tuple[float, ...]
    members: Tensor
    class_of_plane: Tensor
    angle_rad: Tensor
    offset_mm: Tensor
    deflection_rad: Tensor | None = None

    def used(self) -> "Depths | None":
        """Those of the classes that planes have; None where no plane has one."""
        used = self.class_of_plane[self.class_of_plane >= 0].unique()
        if not len(used):
            return None
        number = torch.full((len(self.members) + 1,), -1)  # the last entry is that of class -1
        number[used] = torch.arange(len(used))
        return replace(self, members=self.members[used], class_of_plane=number[self.class_of_plane])

    def classes(self, planes: int) -> Tensor:
        """(plane,) int64 of a batch of so many planes in all."""
        return self.class_of_plane.repeat(planes // len(self.class_of_plane))

    def transmittance(self, view: int, bins: Tensor, t: Tensor) -> Tensor:
        """(place, class + 1) at places of one view, the last class that of -1.

        bins, t   (place,) number of the bin (those beyond either end meet nothing), depth along its chord
        """
        lists, device = self.lists, t.device
        here = (bins >= lists.first_bin) & (bins < lists.first_bin + lists.bins)
        own = lists.start[view * lists.bins * lists.classes :][: lists.bins * lists.classes + 1].long()
        taken = slice(int(own[0]), max(int(own[-1]), int(own[0]) + 1))
        enter, per, depth = (x[taken].to(device, t.dtype) for x in (lists.enter_mm, lists.per_mm, lists.depth))
        own = (own - own[0]).to(device)
        chord = (bins - lists.first_bin).clamp(0, lists.bins - 1)[:, None] * lists.classes
        chord = chord + torch.arange(lists.classes, device=device)
        first, count = own[chord], (own[chord + 1] - own[chord]) * here[:, None]
        total = torch.zeros(chord.shape, dtype=t.dtype, device=device)
        for number in range(int(count.max())):
            n = (first + number).clamp(max=len(enter) - 1)
            passed = ((t[:, None] - enter[n]) * per[n]).clamp(0, 1)
            total += torch.where(number < count, depth[n] * passed, 0)
        return torch.cat([(-total).exp(), torch.ones_like(total[:, :1])], 1)

    @cached_property
    def lists(self) -> Lists:
        """Computed at first use, on the CPU, some views at a time. Time grows with views times the voxels along the
        edges of the cross-sections."""
        outlines, views = self._outlines(), len(self.angle_rad)
        touched = (self.offset_mm.abs() <= float(np.hypot(*outlines[:2]).max())).nonzero()
        bins = slice(int(touched[0]), int(touched[-1]) + 1) if len(touched) else slice(0, 1)
        wide, classes = bins.stop - bins.start, len(self.members)
        together = max(1, CHORDS // (wide * classes * len(self.solids)))
        parts = []
        with doing("following light through inserts"):
            for first in range(0, views, together):
                parts.append(self._traced(outlines, bins, slice(first, first + together)))
                step(min(first + together, views), views)
        counts, *numbers = (torch.from_numpy(np.concatenate(each)) for each in zip(*parts, strict=True))
        start = torch.nn.functional.pad(counts.cumsum(0, dtype=torch.int32), (1, 0))
        enter, per, depth, soonest = numbers
        return Lists(bins.start, wide, classes, start, enter, per, depth, soonest.reshape(views, wide))

    def _traced(
        self, outlines: tuple[Floats, Floats, NDArray[np.int64]], bins: slice, views: slice
    ) -> tuple[NDArray[Any], ...]:
        """Of some bins and views: how many intervals each chord has; their `enter_mm`, `per_mm`, `depth`; `soonest`."""
        from lightlathe.dose import depths_cpu

        count, voxel_mm, solids = len(self.offset_mm), self.solids[0].voxel_mm, len(self.solids)
        bin_mm = float(self.offset_mm[-1] - self.offset_mm[0]) / (count - 1) if count > 1 else voxel_mm
        start, enter, leave = self._intervals(outlines, bins, views, 0.0, bin_mm)
        latest = enter.copy()
        for shift in (-bin_mm / 2, bin_mm / 2):
            beside = self._intervals(outlines, bins, views, shift, bin_mm)
            depths_cpu.delay(latest, start, enter, leave, *beside, STEEPEST * bin_mm)
        beyond = np.tile(np.array(self.beyond_per_mm), (len(start) - 1) // solids).repeat(np.diff(start))
        opaque = np.isinf(beyond)
        depth = np.where(opaque, OPAQUE, np.where(opaque, 0, beyond) * (leave - enter))
        latest = np.where(opaque, latest - EARLY * voxel_mm, np.minimum(latest, leave))
        length = np.maximum(np.where(opaque, 0, leave - latest), STEP * voxel_mm)
        soonest = _soonest(latest, start[:: len(self.members) * solids])
        numbers = (v.astype(np.float32) for v in (latest, 1 / length, depth, soonest))
        return np.diff(start[::solids]).astype(np.int32), *numbers

    def _outlines(self) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """x, y (segment, 2) of the outlines of each (class, solid) in turn, and where each begins (section + 1,)."""
        found = [segments(solid) for solid in self.solids]
        parts: list[tuple[Floats, Floats]] = []
        for members in self.members.tolist():
            for k, (x, y, start) in zip(members, found, strict=True):
                own = slice(start[k], start[k + 1]) if k >= 0 else slice(0, 0)
                parts.append((x[own], y[own]))
        first = np.cumsum([0, *(len(x) for x, _ in parts)])
        return np.concatenate([x for x, _ in parts]), np.concatenate([y for _, y in parts]), first

    def _intervals(
        self,
        outlines: tuple[Floats, Floats, NDArray[np.int64]],
        bins: slice,
        views: slice,
        shift: float,
        bin_mm: float,
    ) -> tuple[NDArray[np.int64], Floats, Floats]:
        """Where each list starts, one for each (view, bin, class, solid); the t at which chords `shift` beside those of
        some bins enter and leave."""
        from lightlathe.dose import depths_cpu

        x, y, first = outlines
        angle, offset = self.angle_rad[views].numpy(), self.offset_mm[bins].numpy() + shift
        number = np.zeros((len(angle), len(offset), len(first) - 1), np.int64)
        start, t = np.zeros(number.size + 1, np.int64), np.empty(0)
        for _ in ("count", "list"):
            number[:] = 0
            if self.deflection_rad is not None:
                turn = self.deflection_rad[bins].numpy()
                depths_cpu.of_lines(number, start, t, x, y, first, angle, offset, turn)
            else:
                direction = np.cos(angle), np.sin(angle)
                depths_cpu.of_parallel(number, start, t, x, y, first, *direction, float(offset[0]), bin_mm)
            np.cumsum(number, out=start[1:])
            t = np.empty(start[-1]) if len(t) == 0 else t
        depths_cpu.sort_lists(start, t)
        return start // 2, t[0::2].copy(), t[1::2].copy()


def _soonest(enter: Floats, start: NDArray[np.int64]) -> Floats:
    """The least number of each list, start[i] to start[i + 1]; infinite of an empty one."""
    found = np.full(len(start) - 1, np.inf)
    some = np.diff(start) > 0
    if some.any():
        found[some] = np.minimum.reduceat(enter, start[:-1][some])
    return found
