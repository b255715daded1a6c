"""The families whose members a job names, by the place that takes them."""

from collections.abc import Mapping
from typing import NamedTuple

from lightlathe.beams import BEAMS
from lightlathe.beams.own import OwnBeam
from lightlathe.losses import LOSSES, PENALTIES, OwnLoss
from lightlathe.losses.own import OwnPenalty
from lightlathe.part.own import OwnShape
from lightlathe.part.shapes import SHAPES
from lightlathe.part.voxels import KIND, VoxelsOfRecord
from lightlathe.projector import RESPONSES
from lightlathe.projector.own import OwnResponse
from lightlathe.resins import RESINS
from lightlathe.resins.own import OwnResin
from lightlathe.solve import SOLVERS, STARTS
from lightlathe.solve.own import OwnSolver, OwnStart, OwnStop
from lightlathe.support.own import OwnMember

MADE_IN_PYTHON = "python:"  # prefix, in settings, of members made in a Python program; job files cannot use it


class Family(NamedTuple):
    """The members of a family by name, and the constructor for members from a user's file."""

    members: Mapping[str, type]
    own: type[OwnMember]


BEAM, RESIN, RESPONSE = Family(BEAMS, OwnBeam), Family(RESINS, OwnResin), Family(RESPONSES, OwnResponse)
LOSS, PENALTY = Family(LOSSES, OwnLoss), Family(PENALTIES, OwnPenalty)
SOLVER, START, STOP = Family(SOLVERS, OwnSolver), Family(STARTS, OwnStart), Family({}, OwnStop)
SHAPE = Family(SHAPES, OwnShape)
SHAPE_OF_RECORD = Family({**SHAPES, KIND: VoxelsOfRecord}, OwnShape)
KINDS = {
    cls: name
    for family in (BEAM, LOSS, PENALTY, SHAPE_OF_RECORD, RESPONSE, RESIN, SOLVER, START)
    for name, cls in family.members.items()
}
