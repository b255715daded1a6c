"""Resins: from absorbed dose to solid or liquid. One file per member, one line here.

Every member has `absorption_per_mm` (base e), `refractive_index`, `liquid_below_mj_cm3`, `solid_above_mj_cm3` and
`gel_mj_cm3` (the middle of the two), `solid(dose)` and `at(exposure_s)`: the resin as it behaves when
the dose is spread over that time.
"""

from lightlathe.families import Resin
from lightlathe.resins.inhibited import Inhibited
from lightlathe.resins.threshold import Threshold

RESINS: dict[str, type[Resin]] = {"threshold": Threshold, "inhibited": Inhibited}
__all__ = ["RESINS", "Inhibited", "Threshold"]
