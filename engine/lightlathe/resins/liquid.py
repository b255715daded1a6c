"""Properties of every resin besides its cure."""

import math
from dataclasses import dataclass

from lightlathe.errors import JobError

POSSIBLE_PER_MM = (1e-6, 1e4)  # light falls to 1/e over a kilometre, over a tenth of a micrometre: no resin is beyond


@dataclass(frozen=True, kw_only=True)
class Liquid:
    """Properties that all members share; each is a key of [resin], and all may be left out.

    name, date                    of this resin or of its measurement, in words; nothing is computed from them
    file                          the resin file that gave the values (job/shared_resin.py)
    refractive_index              of the liquid resin at the printing wavelength: rays that enter from anything but a
                                  matched bath refract by it; for the check, light spreads by diffraction
    absorption_known_to_percent   half the 95 % confidence interval of absorption_per_mm
    doses_known_to_percent        the same of the two doses; `lightlathe resin` writes both
    viscosity_pa_s                for the check: does the cured part sink?
    density_rise_kg_m3            how much denser it is cured than liquid
    double_bonds_mol_m3           for the check: how warm does it get? 5000 in a plain acrylate
    """

    refractive_index: float = 1.5
    absorption_known_to_percent: float | None = None
    doses_known_to_percent: float | None = None
    viscosity_pa_s: float | None = None
    density_rise_kg_m3: float | None = None
    double_bonds_mol_m3: float | None = None
    name: str | None = None
    date: str | None = None
    file: str | None = None

    def check_liquid(self, absorption_per_mm: float) -> None:
        """Raise JobError for what no liquid can be."""
        if not POSSIBLE_PER_MM[0] <= absorption_per_mm <= POSSIBLE_PER_MM[1]:
            raise JobError(
                f"absorption_per_mm is {absorption_per_mm}; expected {POSSIBLE_PER_MM[0]:g} to {POSSIBLE_PER_MM[1]:g}, "
                "in 1/mm to base e (a resin that absorbs nothing takes up no dose)."
            )
        if not (math.isfinite(self.refractive_index) and 1 <= self.refractive_index < 4):
            raise JobError(
                f"refractive_index is {self.refractive_index}; expected a number from 1 to 4, about 1.5 for resins."
            )
        for name in ("absorption_known_to_percent", "doses_known_to_percent"):
            value = getattr(self, name)
            if value is not None and not 0 <= value < 100:
                raise JobError(f"{name} is {value}; expected a number from 0, below 100.")
        for name in ("viscosity_pa_s", "density_rise_kg_m3", "double_bonds_mol_m3"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise JobError(f"{name} is {value}; expected a number above 0.")
