"""What the members of each family must offer: one protocol a file, those of a design together. A member is anything
that fits, from here or from a user's own file; `Solver` lies in solve/design.py, beside the loop that drives it."""

from lightlathe.families.beam import Beam, VialSize
from lightlathe.families.design import Figure, Loss, Penalty, Stop
from lightlathe.families.resin import Resin
from lightlathe.families.response import Response
from lightlathe.families.shape import Shape

__all__ = ["Beam", "Figure", "Loss", "Penalty", "Resin", "Response", "Shape", "Stop", "VialSize"]
