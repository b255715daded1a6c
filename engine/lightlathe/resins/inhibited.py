"""A resin inhibited by dissolved oxygen: it cures only after light has consumed the oxygen."""

import math
from dataclasses import dataclass, replace

from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.resins.liquid import Liquid
from lightlathe.resins.threshold import Threshold

# N_A h c: J per mole of photons, times nm (SI 2019)
PHOTON_MOLE_J_NM = 6.02214076e23 * 6.62607015e-34 * 299792458 * 1e9


@dataclass(frozen=True)
class Inhibited(Liquid):
    """Radical cure after an induction by oxygen that does not diffuse. Keys of [resin]: its fields and `Liquid`'s.

    absorption_per_mm           base e, of the whole resin
    wavelength_nm               of the light
    planned_exposure_s          time over which the dose comes; the dose needed grows with the light's strength
    oxygen_mol_m3               dissolved oxygen (0.6 to 2 in acrylates open to air)
    radicals_per_photon         that start a chain, per photon absorbed by the initiator
    initiator_share             share of the absorption that is the initiator's
    propagation_m3_mol_s        k_p
    termination_m3_mol_s        k_t
    liquid_below_conversion     share of double bonds used up below which the resin surely washes away
    solid_above_conversion      and above which it surely stays

    Model: radicals form at R = radicals_per_photon * (power absorbed by the initiator) / (energy of a mole of photons).
    Oxygen takes them all for t_i = oxygen / R; then ln(1 - conversion) = -k_p sqrt(R / (2 k_t)) (t - t_i).
    The light counts as steady over the exposure, since a turn is short beside it.
    Source: steady-state radical kinetics, e.g. G. Odian, Principles of Polymerization, chapter 3 (from memory).
    """

    absorption_per_mm: float
    wavelength_nm: float
    planned_exposure_s: float
    oxygen_mol_m3: float = 1.0
    radicals_per_photon: float = 1.0
    initiator_share: float = 1.0
    propagation_m3_mol_s: float = 25.0
    termination_m3_mol_s: float = 2520.0
    liquid_below_conversion: float = 0.05
    solid_above_conversion: float = 0.15

    def __post_init__(self) -> None:
        self.check_liquid(self.absorption_per_mm)
        for name in (
            "wavelength_nm", "planned_exposure_s",
            "radicals_per_photon", "propagation_m3_mol_s", "termination_m3_mol_s",
        ):  # fmt: skip
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise JobError(f"{name} is {value}; expected a number above 0.")
        if not (math.isfinite(self.oxygen_mol_m3) and self.oxygen_mol_m3 >= 0):
            raise JobError(f"oxygen_mol_m3 is {self.oxygen_mol_m3}; expected 0 or more, in mol/m3 (about 1 in air).")
        if not 0 < self.initiator_share <= 1:
            raise JobError(f"initiator_share is {self.initiator_share}; expected a share above 0, at most 1.")
        if not 0 <= self.liquid_below_conversion <= self.solid_above_conversion < 1 or self.solid_above_conversion == 0:
            raise JobError(
                f"liquid_below_conversion is {self.liquid_below_conversion} and solid_above_conversion "
                f"{self.solid_above_conversion}; expected 0 <= liquid_below <= solid_above < 1, the latter above 0."
            )

    @property
    def mj_cm3_per_mol_m3(self) -> float:
        """Absorbed dose that makes one mol/m3 of radicals."""
        joule_per_mole = PHOTON_MOLE_J_NM / self.wavelength_nm
        return joule_per_mole / (self.radicals_per_photon * self.initiator_share) * 1e-3

    def dose_for(self, conversion: float) -> float:
        """Dose in mJ/cm3 that reaches a conversion when it comes evenly over the planned exposure.

        With v = sqrt(R) and a = k_p / sqrt(2 k_t) the model reads a t v^2 + ln(1 - conversion) v - a oxygen = 0.
        """
        t = self.planned_exposure_s
        a = self.propagation_m3_mol_s / math.sqrt(2 * self.termination_m3_mol_s)
        b = -math.log1p(-conversion)
        v = (b + math.sqrt(b * b + 4 * a * a * t * self.oxygen_mol_m3)) / (2 * a * t)
        return v * v * t * self.mj_cm3_per_mol_m3

    @property
    def limits(self) -> Threshold:
        """The plain two-dose resin that this one is at its planned exposure."""
        return Threshold(
            self.absorption_per_mm,
            self.dose_for(self.liquid_below_conversion),
            self.dose_for(self.solid_above_conversion),
            refractive_index=self.refractive_index,
        )

    @property
    def liquid_below_mj_cm3(self) -> float:
        return self.limits.liquid_below_mj_cm3

    @property
    def solid_above_mj_cm3(self) -> float:
        return self.limits.solid_above_mj_cm3

    @property
    def gel_mj_cm3(self) -> float:
        return self.limits.gel_mj_cm3

    def solid(self, dose: Tensor) -> Tensor:
        """Bool, same shape: dose (mJ/cm3) above the gel dose at the planned exposure."""
        return self.limits.solid(dose)

    def at(self, exposure_s: float) -> "Inhibited":
        """The same resin when the dose comes over `exposure_s`."""
        return replace(self, planned_exposure_s=exposure_s)
