"""How wrong a dose is: one file per member, one line in LOSSES.

A loss is a frozen dataclass of plain numbers, called as `loss(dose, target)`:

    dose     (x, y, z) float, in units of the gel dose (1 is the dose where the resin turns solid)
    target   quantities.Target on the same grid: which voxels must turn solid, which must stay liquid
    returns  a scalar tensor, differentiable in dose; smaller is better

Voxels in neither class are never looked at. `target.weight` says how much a voxel counts (1 where None).
No member indexes with a mask: that would make a GPU wait for the host at every call.

A staged loss changes during a run: `stage(share)` gives the loss to use when that share of the iterations is done.
"""

from lightlathe.families import Loss
from lightlathe.losses.dose_corridor import DoseCorridor
from lightlathe.losses.gap_hinge import GapHinge
from lightlathe.losses.logistic import Logistic
from lightlathe.losses.own import OwnLoss
from lightlathe.losses.penalties import PENALTIES, LightUsed, PeakLevel, Roughness
from lightlathe.losses.soft_overlap import SoftOverlap
from lightlathe.losses.soft_window import SoftWindow
from lightlathe.losses.squared_error import SquaredError
from lightlathe.losses.weighting import weighted
from lightlathe.losses.worst_share import WorstShare

LOSSES: dict[str, type[Loss]] = {
    "dose_corridor": DoseCorridor,
    "gap_hinge": GapHinge,
    "logistic": Logistic,
    "soft_overlap": SoftOverlap,
    "soft_window": SoftWindow,
    "squared_error": SquaredError,
    "worst_share": WorstShare,
}
__all__ = [
    "LOSSES", "PENALTIES", "DoseCorridor", "GapHinge", "LightUsed", "Logistic", "OwnLoss", "PeakLevel", "Roughness",
    "SoftOverlap", "SoftWindow", "SquaredError", "WorstShare", "weighted",
]  # fmt: skip
