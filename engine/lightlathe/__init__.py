"""Lightlathe designs the light that prints a whole object at once in a turning vial of photo-resin.

`import lightlathe` loads nothing else; the names below load their module when first used.
"""

from importlib import import_module

__version__ = "0.1.0"

_HOME = {
    "load_job": "lightlathe.job",
    "job_from": "lightlathe.job",
    "Job": "lightlathe.job",
    "check": "lightlathe.pipeline",
    "design": "lightlathe.pipeline",
    "predict": "lightlathe.pipeline",
    "read_result": "lightlathe.result",
    "write_result": "lightlathe.result",
    "Backend": "lightlathe.dose",
    "DoseOperator": "lightlathe.dose",
    "Grid": "lightlathe.quantities",
    "Chords": "lightlathe.quantities",
    "LinearMap": "lightlathe.quantities",
    "Optics": "lightlathe.quantities",
    "Part": "lightlathe.quantities",
    "Target": "lightlathe.quantities",
    "Voxels": "lightlathe.part",
    "LightlatheError": "lightlathe.errors",
}
__all__ = ["__version__", *_HOME]


def __getattr__(name: str):
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'lightlathe' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
