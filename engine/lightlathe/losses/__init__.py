"""How wrong a dose is: one file per member, one line in LOSSES.

A loss is a frozen dataclass of plain numbers, called as `loss(dose, target)`:

    dose     (x, y, z) float, in units of the gel dose (1 is the dose where the resin turns solid)
    target   quantities.Target on the same grid: which voxels must turn solid, which must stay liquid
    returns  a scalar tensor, differentiable in dose; smaller is better

Voxels in neither class are never looked at. `target.weight` says how much a voxel counts (1 where None).
No member indexes with a mask: that would make a GPU wait for the host at every call.

A staged loss changes during a run: `stage(share)` gives the loss to use when that share of the iterations is done.
"""

from lightlathe.losses.gap_hinge import GapHinge
from lightlathe.losses.soft_window import SoftWindow

LOSSES = {
    "gap_hinge": GapHinge,
    "soft_window": SoftWindow,
}
__all__ = ["LOSSES", "GapHinge", "SoftWindow"]
