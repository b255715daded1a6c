"""What figures are drawn from: a design's part and print, as arrays that share its memory."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from lightlathe.judge.order import histogram
from lightlathe.quantities import IGNORED, LIQUID, SOLID, FineShape, Grid, Part, Prediction

NOT_JUDGED, UNCURED, CURED, UNDER, OVER = range(5)  # the outcome of a voxel


@dataclass(frozen=True)
class Scene:
    """A design as figures show it.

    fine   the true shape on a finer grid; what is predicted is judged on it where there is one, the whole shape, no
           tolerance band left out
    liquid_below_mj_cm3, gel_mj_cm3, solid_above_mj_cm3   of the resin after the exposure
    """

    name: str
    part: Part
    prediction: Prediction
    fine: FineShape | None
    vial_radius_mm: float
    liquid_below_mj_cm3: float
    gel_mj_cm3: float
    solid_above_mj_cm3: float

    @property
    def grid(self) -> Grid:
        return self.part.grid

    @property
    def coverage(self) -> np.ndarray:
        """(x, y, z) 0..1: what is wanted."""
        return self.part.coverage.numpy()

    @property
    def dose(self) -> np.ndarray:
        """(x, y, z) mJ/cm3."""
        return self.prediction.dose.numpy()

    @property
    def judged(self) -> np.ndarray:
        """(x, y, z) what each voxel of the dose's grid must become, the whole shape."""
        return (self.part.judged if self.part.whole is None else self.part.whole).numpy()

    @property
    def finely(self) -> bool:
        """Whether the print was judged on the finer grid."""
        return self.fine is not None and self.prediction.fine_solid is not None

    @property
    def print_grid(self) -> Grid:
        """The grid of `print_judged` and `print_solid`."""
        return self.fine.grid if self.fine is not None and self.finely else self.grid

    @property
    def print_judged(self) -> np.ndarray:
        """(x, y, z) what each voxel must become, on the finest grid there is."""
        return self.fine.judged.numpy() if self.fine is not None and self.finely else self.judged

    @property
    def print_solid(self) -> np.ndarray:
        """(x, y, z) bool: what is predicted to turn solid there."""
        solid = self.prediction.fine_solid if self.finely else self.prediction.solid
        assert solid is not None
        return solid.numpy()

    def outcome(self, at: tuple[slice | int, ...]) -> np.ndarray:
        """The outcome of the voxels of the print's grid at an index: NOT_JUDGED, UNCURED, CURED, UNDER or OVER."""
        wanted, made = self.print_judged[at], self.print_solid[at]
        outcome = np.where(wanted == SOLID, np.where(made, CURED, UNDER), np.where(made, OVER, UNCURED))
        outcome[wanted == IGNORED] = NOT_JUDGED
        return outcome.astype(np.uint8)

    @cached_property
    def doses(self) -> dict[int, np.ndarray]:
        """For LIQUID and SOLID: how many such voxels have a dose in each bucket of judge/order.py."""
        judged = self.part.judged if self.part.whole is None else self.part.whole
        return {value: histogram(self.prediction.dose, judged, value).numpy() for value in (LIQUID, SOLID)}

    @cached_property
    def usual(self) -> tuple[int, int, int]:
        """The slices that are shown where none is named: those of x and y through the turning axis, of z one with most
        of the part, in the middle of those with as much to a hundredth."""
        nx, ny, nz = self.grid.shape
        share = np.zeros(nz)
        for layer in self.coverage:
            share += layer.sum(0)
        full = np.flatnonzero(share >= 0.99 * share.max())
        return nx // 2, ny // 2, int(full[len(full) // 2])
