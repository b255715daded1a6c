"""Light that enters in other directions from column to column, as parallel light: fan-to-parallel rebinning.

A bare vial is a lens: column j of the image at scan angle a runs through the resin as a ray of parallel light at scan
angle a + phi_j does, at its offset d_j. Over a turn of even angles every such direction is met, so the light of
(image, column) becomes that of (direction, column), and the parallel kernels do the rest. Nothing more is needed where
rays draw together or cross: each column keeps its power along its chord, and where chords lie closer their light adds.

Source: re-sorting of fan beams into parallel ones, Kak & Slaney (1988), section 3.4.3.
"""

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.dose import gathers
from lightlathe.dose.footprint import convolved
from lightlathe.dose.rebin_tables import turned_tables
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords

SIGMAS = 5  # of a Gaussian of directions: 6e-7 of the light lies beyond
REL_TOLERANCE = 1e-9  # of a step: a weight below it is rounding


@dataclass(frozen=True)
class Directions:
    """The directions at which views are taken, the same for every image, in steps from one image to the next.

    offsets   of the views from the angles of the images
    parts     in a step: the offsets of all operators that share the work are 1 / parts apart
    moving    True: an image stands while the vial turns through its step, so that its light is spread over it
    finer     bins of a view for each column: between two columns light changes linearly, and its direction does too.
              With one bin a column's light keeps its width along the chord, where really it narrows towards a focus

    blur_rad  standard deviation of the directions in which each pixel of an image shines

    A view at an offset stands for all directions within half a part of it. Light of images that stand still lies at
    one direction and is shared linearly between the two views beside it: no further than one part away.
    """

    offsets: tuple[float, ...] = (0.0,)
    parts: int = 1
    moving: bool = False
    finer: int = 1
    blur_rad: float = 0.0

    @staticmethod
    def even(parts: int, moving: bool, finer: int = 1) -> "Directions":
        """All directions of a step, at the middles of `parts` equal parts."""
        return Directions(tuple((part - (parts - 1) / 2) / parts for part in range(parts)), parts, moving, finer)


@dataclass(frozen=True)
class Rebinning:
    """patterns (..., angle, column, row) -> views (..., angle of every offset in turn, bin, row), and back.

    image    (view set, tap, bin) int64: of a view at angle m bin i reads the images m + image, round the turn
    weight   (view set, tap, bin); all that an image gives a bin of the views adds up to 1
    angles   images in the turn
    finer    bins for each column; the first lies one bin beyond where the light of the first column ends
    """

    image: Tensor
    weight: Tensor
    angles: int
    finer: int = 1
    gathers: tuple[Tensor, Tensor] | None = None  # for torch: (view set, tap, angle * bin), of `forward`, `transpose`
    share: Tensor | None = None  # (column, 1), what each column keeps of its light, where that is left to the tables
    tables: tuple[tuple[Tensor, Tensor], tuple[Tensor, Tensor]] | None = None  # for gathers.py, of both

    @staticmethod
    def of(chords: Chords, directions: Directions) -> "Rebinning":
        """ShapeError unless the angles of the chords are even and make one whole turn."""
        return Rebinning.at(_in_bins(chords, directions.finer), chords.angle_rad, directions, directions.finer)

    @staticmethod
    def at(turn: Tensor, angle_rad: Tensor, directions: Directions, finer: int = 1) -> "Rebinning":
        """turn   (bin,) float64, the deflection of each bin, where images have been spread over bins already"""
        step = _step_of(angle_rad.double().cpu())
        turned, sigma = turn / step, directions.blur_rad / abs(step)
        at = torch.tensor(directions.offsets, dtype=torch.float64)[:, None] - turned
        part = 1 / directions.parts
        spread = 1.0 if directions.moving else part
        reach = 1.0 if sigma == 0 else (spread + part) / 2 + SIGMAS * sigma
        first = (at + (REL_TOLERANCE if sigma == 0 else 1 - reach)).floor()
        image = first[:, None] + torch.arange(math.ceil(2 * reach))[:, None]
        away = (at[:, None] - image).abs()
        if sigma == 0:
            # the share of a view's directions that the light of an image covers: both are intervals
            shared = torch.minimum(away + part / 2, torch.tensor(spread / 2)) - (away - part / 2).clamp(min=-spread / 2)
            weight = shared.clamp(min=0) / spread  # a view is one of `parts`
        else:
            weight = part * convolved(away, (spread, part), sigma)
        weight[weight < REL_TOLERANCE] = 0
        return Rebinning(image.to(torch.int64), weight, len(angle_rad), finer)

    def to(
        self, device: torch.device, dtype: torch.dtype, compiled: bool = True, share: Tensor | None = None
    ) -> "Rebinning":
        """Ready to use on a device; on a CPU by rebin_cpu.py, or by torch where not `compiled`.

        share   (column, 1): what each column keeps of its light is a part of the map from here on; not on a CPU
        """
        if device.type == "cpu" and compiled:
            return replace(self, weight=self.weight.to(dtype))
        bins = self.image.shape[-1]
        angle, number = torch.arange(self.angles)[:, None], torch.arange(bins)
        image = self.image[:, :, None]
        places = tuple(
            (((angle + sign * image) % self.angles) * bins + number).flatten(2).to(device) for sign in (1, -1)
        )
        tables = tuple((table.to(device), weight.to(device, dtype)) for table, weight in turned_tables(self, share))
        weight = self.weight.to(device, dtype)
        share = None if share is None else share.to(device, dtype)
        return replace(self, image=self.image.to(device), weight=weight, gathers=places, tables=tables, share=share)

    @property
    def most(self) -> float:
        """No view is brighter than the brightest pattern times this."""
        return float(self.weight.sum(1).amax()) * (1.0 if self.share is None else float(self.share.abs().amax()))

    def forward(self, patterns: Tensor) -> Tensor:
        if self.tables is not None and gathers.serve(patterns):
            x = patterns.reshape(-1, 1, *patterns.shape[-3:])
            views = gathers.rows(x, *self.tables[0], targets=len(self.weight))
            return views.flatten(1, 2).reshape(*patterns.shape[:-3], -1, *views.shape[-2:])
        if self.gathers is None:
            from lightlathe.dose import rebin_cpu

            return rebin_cpu.forward(patterns, self.image, self.weight, self.finer)
        x = _between(patterns if self.share is None else patterns * self.share, self.finer)
        return torch.cat([self._taken(x, views, places) for views, places in enumerate(self.gathers[0])], -3)

    def transpose(self, views: Tensor) -> Tensor:
        """The exact transpose of `forward`; view sets are added in a fixed order."""
        if self.tables is not None and gathers.serve(views):
            sets = len(self.weight)
            x = views.reshape(-1, sets, self.angles, *views.shape[-2:])
            patterns = gathers.rows(x, *self.tables[1], targets=1)
            return patterns.reshape(*views.shape[:-3], self.angles, *patterns.shape[-2:])
        if self.gathers is None:
            from lightlathe.dose import rebin_cpu

            return rebin_cpu.transpose(views, self.image, self.weight, self.finer)
        total = None
        for number, part in enumerate(views.unflatten(-3, (len(self.weight), self.angles)).unbind(-4)):
            term = self._taken(part, number, self.gathers[1][number])
            total = term if total is None else total.add_(term)
        assert total is not None
        patterns = _gathered(total, self.finer)
        return patterns if self.share is None else patterns * self.share

    def _taken(self, x: Tensor, views: int, places: Tensor) -> Tensor:
        flat, total = x.flatten(-3, -2), None
        for gather, weight in zip(places, self.weight[views], strict=True):
            term = flat.index_select(-2, gather).unflatten(-2, x.shape[-3:-1]).mul_(weight[:, None])
            total = term if total is None else total.add_(term)
        assert total is not None
        return total


def _between(x: Tensor, finer: int) -> Tensor:
    """(..., column, row) -> (..., bin, row): `finer` bins from column to column, linearly, dark beyond both ends."""
    if finer == 1:
        return x
    padded = torch.nn.functional.pad(x, (0, 0, 1, 1))
    near, far = padded[..., :-1, :], padded[..., 1:, :]
    bins = torch.stack([torch.lerp(near, far, part / finer) for part in range(finer)], -2)
    return bins.flatten(-3, -2)[..., 1:, :]


def _gathered(bins: Tensor, finer: int) -> Tensor:
    """The exact transpose of `_between`."""
    if finer == 1:
        return bins
    parts = torch.nn.functional.pad(bins, (0, 0, 1, 0)).unflatten(-2, (-1, finer))
    share = torch.arange(finer, device=bins.device, dtype=bins.dtype)[:, None] / finer
    near, far = (parts * (1 - share)).sum(-2), (parts * share).sum(-2)
    return near[..., 1:, :] + far[..., :-1, :]


def _in_bins(chords: Chords, finer: int) -> Tensor:
    """(bin,) float64 deflection, linear between the columns; beyond the outermost towards the dark chords there."""
    turn = chords.deflection_rad.double().cpu()
    if finer == 1:
        return turn
    before, after = (
        turn[[end]] if dark is None else turn.new_tensor(dark[1:])
        for end, dark in ((0, chords.dark_before), (-1, chords.dark_after))
    )
    whole = torch.cat([before, turn, after])
    share = torch.arange(finer, dtype=torch.float64) / finer
    return (whole[:-1, None] + share * whole.diff()[:, None]).flatten()[1:]


def turn_beside(chords: Chords, place: Tensor) -> Tensor:
    """Deflection at places counted in columns from the first; beyond the outermost as between the two last there."""
    turn = chords.deflection_rad.double().cpu()
    if len(turn) == 1:
        return turn.expand(len(place))
    low = place.floor().clamp(0, len(turn) - 2).to(torch.int64)
    return turn[low] + (place - low) * (turn[low + 1] - turn[low])


def _step_of(angle_rad: Tensor) -> float:
    """The angle from one image to the next; ShapeError where the images do not make one even turn."""
    count = len(angle_rad)
    step = float(angle_rad[1] - angle_rad[0]) if count > 1 else 2 * math.pi
    uneven = count > 1 and bool(((angle_rad.diff() - step).abs() > 1e-6 * abs(step)).any())
    if uneven or abs(abs(step) * count / (2 * math.pi) - 1) > 1e-6:
        raise ShapeError(
            f"{count} scan angles, the first two {step:.6g} rad apart, do not make one even turn; expected that of "
            "light whose chords may cross (crossing = True)."
        )
    return step
