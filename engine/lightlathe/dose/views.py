"""Parallel views: the detector geometry that every dose kernel works on."""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import torch
from torch import Tensor

from lightlathe.dose.depths import Depths
from lightlathe.dose.ends import Ends
from lightlathe.dose.focus import Band
from lightlathe.dose.lines import Lines
from lightlathe.dose.profile import Profile
from lightlathe.dose.spread import Spread
from lightlathe.dose.taps import Taps
from lightlathe.errors import ShapeError


@dataclass(frozen=True)
class Views:
    """Geometry of one attenuated parallel back-projection; all slices share it.

    A view is an array (angle, bin, slice). Bin b has its centre at s = middle_mm + (b - (bins-1)/2) * bin_mm.
    A voxel column (x, y) no further than radius_mm from the axis takes, from each view, the light interpolated
    linearly between the two bins beside its s, times
    exp(-absorption_per_mm * (sqrt(radius_mm^2 - s^2) + t)), with s and t those of the voxel's centre.
    Columns further out take nothing. A dark bin lies beyond each end: a step at the outermost centre would depend on
    the last bit of a cosine.

    Bins may be finer or coarser than voxels: a tile of n voxels spans up to n * sqrt(2) * voxel_mm / narrowest_mm + 2
    of them. With `lines` each bin is a chord of its own (see Lines); s and t above are then those of the voxel's centre
    seen along the chord through it: s cos(turn) + t sin(turn) and -s sin(turn) + t cos(turn).

    With `spread` a view is an array (angle, bin, plane), and planes spread over slices. A voxel at depth t has the
    magnification M = at_foot + per_mm * t, both linear between the bins (beyond the ends those of the outermost): it
    reads at height h + (z - h) / M, linearly between two planes (a dark one lies beyond each end), 1 / M of the light.
    A batch has the planes of its members one after the other, and so have the slices of its dose.

    With `profile` a bin's light is not read linearly by the two places beside it, but by all within the profile's
    support; see Profile. Without ends, lines and spread.

    With `ends` slices are no longer alike: of a bin whose chord ends at an insert in a slice, a voxel there takes light
    only where its t lies before that end, of each of the two bins on its own. With `depths` it takes of each bin
    what inserts on that bin's chord leave of it before t; with `spread`, all planes are of one class then.
    """

    angle_rad: Tensor  # (angle,) float64, on the CPU
    bins: int
    bin_mm: float
    nx: int
    ny: int
    voxel_mm: float
    radius_mm: float
    absorption_per_mm: float  # base e, 1/mm
    precision: str = "single"  # "half": a kernel may round light and weights to 11 bits; sums are never rounded so
    middle_mm: float = 0.0  # where the middle of the bins lies beside the axis
    band: Band | None = None  # a weight of the light by depth, where these views are one of several; None: 1
    lines: Lines | None = None  # the bins' chords where they are not parallel and evenly spaced; bin_mm their mean
    spread: Spread | None = None  # of planes over slices, of parallel and evenly spaced bins; None: planes are slices
    ends: Ends | None = None  # where chords end at inserts
    depths: Depths | None = None  # what inserts take of the light of chords; then `ends` is None
    profile: Profile | None = None  # what places take of a bin by their distance; None: linear

    def __post_init__(self) -> None:
        if self.bins < 1 or self.nx < 1 or self.ny < 1:
            raise ShapeError(f"views of {self.bins} bins on {self.nx} x {self.ny} voxels; expected 1 or more of each.")
        if not (self.bin_mm > 0 and math.isfinite(self.bin_mm) and math.isfinite(self.middle_mm)):
            raise ShapeError(
                f"bins are {self.bin_mm} mm wide around {self.middle_mm} mm; expected a width above 0, both finite."
            )
        if self.lines is not None and len(self.lines.offset_mm) != self.bins:
            raise ShapeError(f"{len(self.lines.offset_mm)} chords for {self.bins} bins; expected one for each.")
        if self.spread is not None and (self.lines is not None or len(self.spread.at_foot) != self.bins):
            raise ShapeError(
                f"rows spread along {len(self.spread.at_foot)} chords; expected parallel ones, {self.bins} of them."
            )
        if self.precision not in ("half", "single"):
            raise ShapeError(f"precision is '{self.precision}'; expected 'half' or 'single'.")
        if not (self.absorption_per_mm >= 0 and math.isfinite(self.absorption_per_mm) and self.radius_mm > 0):
            raise ShapeError(
                f"absorption is {self.absorption_per_mm} 1/mm in a radius of {self.radius_mm} mm; "
                "expected an absorption of 0 or more and a radius above 0."
            )

    @property
    def angles(self) -> int:
        return len(self.angle_rad)

    @property
    def middle_bins(self) -> float:
        """The bin at the axis, counted from bin 0, for parallel views: bin = s / bin_mm + this."""
        return (self.bins - 1) / 2 - self.middle_mm / self.bin_mm

    @cached_property
    def narrowest_mm(self) -> float:
        """Minimum distance of two neighbouring bins in the vial."""
        return self.bin_mm if self.lines is None else self.lines.narrowest_mm(self.radius_mm)

    def in_fine_bins(self) -> tuple[Taps, "Views"]:
        """Views of a profile as linear ones: the fine bins of its knots, and how bins lie in them."""
        assert self.profile is not None
        taps, finer = self.profile.fine_bins(self.bins), self.profile.knots
        fine = replace(self, bins=taps.index.shape[1], bin_mm=self.bin_mm / finer, profile=None)
        return taps, fine

    def bins_across(self, voxels: int) -> int:
        """The most bins that a square of voxel centres reads of one view, both ends counted."""
        across = (voxels - 1) * math.sqrt(2) * self.voxel_mm
        return math.ceil(min(across / max(self.narrowest_mm, 1e-300), self.bins) + 1e-6) + 2

    def view_shape(self, slices: int) -> tuple[int, int, int]:
        return self.angles, self.bins, slices

    def dose_shape(self, slices: int) -> tuple[int, int, int]:
        return self.nx, self.ny, slices

    def offset_mm(self) -> Tensor:
        """(bin,) float64: s of the bins of parallel views."""
        return (torch.arange(self.bins, dtype=torch.float64) - self.middle_bins) * self.bin_mm

    def x_mm(self) -> Tensor:
        return (torch.arange(self.nx, dtype=torch.float64) - (self.nx - 1) / 2) * self.voxel_mm

    def y_mm(self) -> Tensor:
        return (torch.arange(self.ny, dtype=torch.float64) - (self.ny - 1) / 2) * self.voxel_mm

    def inside(self) -> Tensor:
        """(x, y) bool: columns whose centre lies in the resin; the one rule that every kernel uses."""
        return (self.x_mm()[:, None].square() + self.y_mm()[None, :].square()) <= self.radius_mm**2 * (1 + 1e-12)
