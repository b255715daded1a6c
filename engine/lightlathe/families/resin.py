"""The response of a resin to a dose."""

from typing import Protocol

from torch import Tensor


class Resin(Protocol):
    """Doses mJ/cm3, absorption 1/mm (base e). Attributes listed in `Liquid` (resins/liquid.py) are optional."""

    @property
    def absorption_per_mm(self) -> float: ...

    @property
    def refractive_index(self) -> float: ...

    @property
    def liquid_below_mj_cm3(self) -> float:
        """Dose below which it surely washes away."""
        ...

    @property
    def solid_above_mj_cm3(self) -> float:
        """Dose above which it surely stays."""
        ...

    @property
    def gel_mj_cm3(self) -> float:
        """Dose around which designs aim, between the two; of the members here their middle."""
        ...

    @property
    def absorption_known_to_percent(self) -> float | None: ...

    @property
    def doses_known_to_percent(self) -> float | None: ...

    @property
    def viscosity_pa_s(self) -> float | None: ...

    @property
    def density_rise_kg_m3(self) -> float | None: ...

    @property
    def double_bonds_mol_m3(self) -> float | None: ...

    def solid(self, dose: Tensor) -> Tensor:
        """Bool, the shape of `dose`: what turns solid."""
        ...

    def at(self, exposure_s: float) -> "Resin":
        """The resin as it is when the dose comes over `exposure_s`; an equal one where time does not matter."""
        ...
