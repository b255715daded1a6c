"""The dose operator: the linear map from patterns to absorbed dose, and its exact adjoint."""

from lightlathe.dose.backend import Backend
from lightlathe.dose.motion import Turning
from lightlathe.dose.operator import DoseOperator, gain_mj_cm3
from lightlathe.dose.rebin import Directions
from lightlathe.dose.steps import few_parts, substeps
from lightlathe.dose.to_views import plan
from lightlathe.dose.views import Views

__all__ = [
    "Backend", "Directions", "DoseOperator", "Turning", "Views", "few_parts", "gain_mj_cm3", "plan", "substeps",
]  # fmt: skip
