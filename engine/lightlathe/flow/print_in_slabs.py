"""A print that is lit and judged some slices at a time; its dose is computed anew for each look at it."""

from collections.abc import Iterator
from functools import partial

import torch
from torch import Tensor

from lightlathe.dose import DoseOperator, Turning
from lightlathe.families import Resin
from lightlathe.families.linear_map import doses
from lightlathe.judge import quality_of
from lightlathe.judge.level_set import Crossings
from lightlathe.judge.order import slabs as in_layers
from lightlathe.judge.surface_distance import MOST_MET
from lightlathe.quantities import FineShape, Light, Packing, Part, Volume, at_hand
from lightlathe.result.short_floats import shortened_tensor
from lightlathe.support.sums import exact_total
from lightlathe.support.watching import step


class InSlabs:
    """What the first look at the print collects; figures take two looks each.

    solid     what turns solid
    surface   where the dose passes `gel`, beside voxels of the whole shape that are judged
    dose      as a result file has it; of the part's own grid alone
    in_part, in_grid   sums of its dose, mJ/cm3: of all voxels by their share of the part, and as they are; likewise
    """

    def __init__(
        self,
        turning: DoseOperator | Turning,
        levels: Light,
        resin: Resin,
        slices: int,
        shape: Part | FineShape,
        gel: float,
    ) -> None:
        self.turning, self.levels, self.resin, self.slices = turning, levels, resin, slices
        self.shape, self.looked = shape, False
        self.whole = shape.whole if isinstance(shape, Part) and shape.whole is not None else shape.judged
        self.solid, self.dose = (Packing(turning.dose_shape, dtype) for dtype in (torch.bool, torch.float32))
        self.surface = Crossings(gel, shape.grid, MOST_MET)
        self.in_part = self.in_grid = 0.0

    def figures(self, judged: Volume, suffix: str = "") -> dict[str, float]:
        """Those of judge/quality.py, by what is judged."""
        judged = at_hand(judged, self.turning.device) if isinstance(self.shape, Part) else judged
        below, above = self.resin.liquid_below_mj_cm3, self.resin.solid_above_mj_cm3
        of = partial(self._pieces, judged)
        return quality_of(of, liquid_below_mj_cm3=below, solid_above_mj_cm3=above, suffix=suffix)

    def _pieces(self, judged: Volume) -> Iterator[tuple[Tensor, ...]]:
        for taken, dose in doses(self.turning, self.levels, self.slices):
            solid = self.resin.solid(dose)
            if not self.looked:
                self._look(taken, dose, solid)
            step(taken.stop, self.turning.dose_shape[2])
            yield from in_layers(dose, solid, judged[:, :, taken].to(dose.device))
        self.looked = True

    def _look(self, taken: slice, dose: Tensor, solid: Tensor) -> None:
        self.solid.append(solid)
        self.surface.add(dose, self.whole[:, :, taken])
        if isinstance(self.shape, Part):
            self.dose.append(shortened_tensor(dose.float()))
            covered = self.shape.printed(taken).to(dose.device)
            self.in_part += float(exact_total(dose * covered))
            self.in_grid += float(exact_total(dose))
