"""Lightlathe designs the light that prints a whole object at once in a turning vial of photo-resin.

`import lightlathe` loads nothing else; the names below load their module when first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # the same names, for type checkers
    from lightlathe.dose import Backend as Backend
    from lightlathe.dose import DoseOperator as DoseOperator
    from lightlathe.errors import LightlatheError as LightlatheError
    from lightlathe.families.linear_map import LinearMap as LinearMap
    from lightlathe.job import Job as Job
    from lightlathe.job import job_from as job_from
    from lightlathe.job import load_job as load_job
    from lightlathe.part import Voxels as Voxels
    from lightlathe.pipeline import check as check
    from lightlathe.pipeline import design as design
    from lightlathe.pipeline import predict as predict
    from lightlathe.quantities import Absorber as Absorber
    from lightlathe.quantities import Chords as Chords
    from lightlathe.quantities import Grid as Grid
    from lightlathe.quantities import Optics as Optics
    from lightlathe.quantities import Part as Part
    from lightlathe.quantities import Shadows as Shadows
    from lightlathe.quantities import Target as Target
    from lightlathe.result import read_result as read_result
    from lightlathe.result import write_result as write_result
    from lightlathe.study.rows import study_table as study_table

__version__ = "0.1.0"

_NAMES = {
    "dose": ("Backend", "DoseOperator"),
    "errors": ("LightlatheError",),
    "families.linear_map": ("LinearMap",),
    "job": ("Job", "job_from", "load_job"),
    "part": ("Voxels",),
    "pipeline": ("check", "design", "predict"),
    "quantities": ("Absorber", "Chords", "Grid", "Optics", "Part", "Shadows", "Target"),
    "result": ("read_result", "write_result"),
    "study.rows": ("study_table",),
}
_HOME = {name: f"lightlathe.{module}" for module, names in _NAMES.items() for name in names}
__all__ = ["__version__", *_HOME]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'lightlathe' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
