"""The record of one design: everything needed to show, check or repeat a print."""

from dataclasses import dataclass, field
from importlib import import_module
from typing import Any

from lightlathe.quantities import FineShape, Optics, Part, Patterns, Prediction, TriangleMesh


@dataclass(frozen=True, repr=False)
class Record:
    """One design, as the result file keeps it; every array on the CPU.

    job_toml      the job file's text
    settings      every setting after defaults, keys as in the job file
    facts         provenance of the run: created_utc, program_version, torch_version, device, kernel, seed, ...
    log           one list per column, one value per logged iteration
    log_before    the logs of stages before the design itself, by name: coarser_1, ..., plain
    warnings      sentences for the user
    optics        of images that stand at their angles; None in files from earlier versions
    own           members of the job that no file holds, by place ("resin", "light.beam"): made in Python, known in
                  a file by name alone, so a record that was read has none
    wanted        the part's surface in the vial (flow/wanted.py); None in files from earlier versions too
    fine          the true shape on the finer grid on which prints are judged; None where the job leaves that out
    """

    name: str
    job_toml: str
    settings: dict[str, Any]
    part: Part
    patterns: Patterns
    prediction: Prediction
    vial_radius_mm: float
    facts: dict[str, Any] = field(default_factory=dict)
    log: dict[str, list[float]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    fine: FineShape | None = None
    log_before: dict[str, dict[str, list[float]]] = field(default_factory=dict)
    optics: Optics | None = None
    own: dict[str, Any] = field(default_factory=dict)
    wanted: TriangleMesh | None = None

    def __repr__(self) -> str:
        shape, images = " x ".join(map(str, self.part.grid.shape)), len(self.patterns.angle_rad)
        return f"Record({self.name!r}, {shape} voxels, {images} images, exposure {self.patterns.exposure_s:.1f} s)"

    def _repr_html_(self) -> str:
        """What a notebook shows of it: report/notebook.py, which lies above this stage and is loaded when asked."""
        return import_module("lightlathe.report.notebook").html_of(self)

    @property
    def assumed_keys(self) -> frozenset[str]:
        """Dotted keys of the machine and the resin that the job left to their defaults; none in files from before."""
        return frozenset(filter(None, str(self.facts.get("assumed_keys", "")).split(", ")))

    @property
    def quality(self) -> dict[str, float]:
        return self.prediction.quality
