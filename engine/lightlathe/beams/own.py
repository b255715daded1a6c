"""A beam of the user's own: a class with `chords`, or that function alone."""

from types import SimpleNamespace
from typing import Any

import torch

from lightlathe.beams.telecentric import full_turn
from lightlathe.errors import JobError
from lightlathe.quantities import Chords
from lightlathe.support.own import OwnMember

COLUMNS, ROWS, PIXEL_MM, OFFSET_MM = 5, 3, 0.25, 0.125
VIAL = SimpleNamespace(
    radius_mm=5.0,
    inner_diameter_mm=10.0,
    resin_height_mm=10.0,
    wall_mm=1.0,
    index_outside=lambda resin_index: 1.0,
    index_of_wall=lambda resin_index: 1.48,
)
RESIN = SimpleNamespace(refractive_index=1.5, absorption_per_mm=0.1)


class OwnBeam(OwnMember):
    """A beam from a user's file. Whatever its chords, the operator that is made of them has its exact adjoint."""

    family, method, trial = "beam", "chords", f"{COLUMNS} columns, {ROWS} rows, 4 angles in a vial of 10 mm"

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives chords of the projector that follow an axis that is off."""
        centred, off = self._chords(found, 0.0), self._chords(found, OFFSET_MM)
        if torch.equal(centred.offset_mm, off.offset_mm):
            raise JobError(
                f"{self.where}: its chords are the same with axis_offset_mm = {OFFSET_MM}; expected them to follow an "
                "axis that is off."
            )

    def _chords(self, found: Any, axis_offset_mm: float) -> Chords:
        angle_rad = full_turn(4)
        given = {"columns": COLUMNS, "rows": ROWS, "pixel_mm": PIXEL_MM, "axis_offset_mm": axis_offset_mm}
        chords = self.guarded(found.chords)(angle_rad=angle_rad, vial=VIAL, resin=RESIN, **given)
        if not isinstance(chords, Chords):
            raise JobError(f"{self.where}: gives {type(chords).__name__}; expected lightlathe.Chords.")
        if chords.pattern_shape != (4, COLUMNS, ROWS):
            raise JobError(f"{self.where}: gives chords of (angle, column, row) = {chords.pattern_shape}; expected "
                           f"{(4, COLUMNS, ROWS)}.")  # fmt: skip
        for name in ("angle_rad", "offset_mm", "deflection_rad", "transmittance"):
            values = getattr(chords, name)
            if values.dtype != torch.float64 or not bool(values.isfinite().all()):
                raise JobError(f"{self.where}: {name} is {values.tolist()}, {values.dtype}; expected finite float64.")
        if bool((chords.transmittance < 0).any()) or not bool(chords.transmittance.any()):
            raise JobError(
                f"{self.where}: transmittance is {chords.transmittance.tolist()}; expected 0 or more, not all 0."
            )
        return chords
