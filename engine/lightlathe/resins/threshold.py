"""A resin that turns solid between two doses, whatever the time they take."""

import math
from dataclasses import dataclass

from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.resins.liquid import Liquid


@dataclass(frozen=True)
class Threshold(Liquid):
    """Liquid below one dose, solid above another, either in between. Keys of [resin]: its fields and `Liquid`'s.

    absorption_per_mm     base e: light falls by exp(-absorption * mm); 1 / penetration depth
    liquid_below_mj_cm3   absorbed dose below which the resin surely washes away. 0 says that no dose is safe: all
                          that light touches turns solid, and nothing can be printed in a turning vial
    solid_above_mj_cm3    absorbed dose above which it surely stays

    Doses are absorbed energy per volume; a working curve's exposure in mJ/cm2 times absorption in 1/cm is one.
    Raises JobError for values no resin can have.
    """

    absorption_per_mm: float
    liquid_below_mj_cm3: float
    solid_above_mj_cm3: float

    def __post_init__(self) -> None:
        self.check_liquid(self.absorption_per_mm)
        low, high = self.liquid_below_mj_cm3, self.solid_above_mj_cm3
        if not (math.isfinite(low) and low >= 0):
            raise JobError(f"liquid_below_mj_cm3 is {low}; expected a dose of 0 or more, in mJ/cm3.")
        if not (math.isfinite(high) and high >= low and high > 0):
            raise JobError(
                f"solid_above_mj_cm3 is {high}; expected a dose above 0 and not below liquid_below_mj_cm3 = {low}.\n"
                "  Are the two swapped, or is one in J/cm3? Multiply that one by 1000."
            )

    @property
    def gel_mj_cm3(self) -> float:
        """The middle of the two doses: designs aim around it."""
        return (self.liquid_below_mj_cm3 + self.solid_above_mj_cm3) / 2

    def solid(self, dose: Tensor) -> Tensor:
        """Bool, same shape: dose (mJ/cm3) above the gel dose, or above 0 where the resin has no safe dose."""
        return dose > (self.gel_mj_cm3 if self.liquid_below_mj_cm3 > 0 else 0.0)

    def at(self, exposure_s: float) -> "Threshold":
        """Itself: a fixed dose suffices, however long it takes."""
        return self
