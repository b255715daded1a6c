"""Whole result, state and study files for the fuzzers to damage: small, of every kind of content that files hold."""

import dataclasses
import json
from pathlib import Path

import h5py
import torch

from lightlathe.job import parse_job
from lightlathe.job.resolved import resolved
from lightlathe.quantities import Field, Grid, Part, Patterns, Prediction
from lightlathe.result import Record, write_partial, write_result
from lightlathe.study.file import write_study
from lightlathe.study.runs import Run, Study
from sealing import without_checksums


def settings_of_small(text: str, folder: Path) -> dict:
    return json.loads(json.dumps({**resolved(parse_job(text, name="disc", folder=folder)), "files": {}}))


def a_record(text: str, folder: Path) -> Record:
    """As a design of the small job leaves it, its numbers made up; some of its columns and rows are lit."""
    generator = torch.Generator().manual_seed(7)
    grid = Grid((20, 20, 8), 0.25)
    dose = torch.rand(grid.shape, generator=generator) * 60
    levels = torch.randint(0, 251, (60, 21, 8), generator=generator).to(torch.uint8)
    lit = Field(40, 20, 10, 21, 8)
    return Record(
        name="disc",
        job_toml=text,
        settings=settings_of_small(text, folder),
        part=Part(
            grid,
            torch.randint(0, 256, grid.shape, generator=generator).float() / 255,
            torch.randint(0, 3, grid.shape, generator=generator).to(torch.uint8),
        ),
        patterns=Patterns(levels, torch.linspace(0, 6.2, 60, dtype=torch.float64), 255, 0.25, 20.0, 0.5, 3, lit),
        prediction=Prediction(dose, dose > 45, {"iou": 0.9, "window_relative": float("nan"), "wrong_voxels": 3.0}),
        vial_radius_mm=5.0,
        facts={"created_utc": "2026-01-01T00:00:00+00:00", "program_version": "0", "device": "cpu", "seed": 0},
        log={"iteration": [0.0, 1.0, 2.0], "loss": [0.5, 0.25, 0.2], "seconds": [0.1, 0.2, 0.3]},
        warnings=("thin walls",),
    )


def write_all(text: str, folder: Path) -> dict[str, Path]:
    """One whole file of each kind, by kind, and the settings beside them."""
    record = a_record(text, folder)
    result = write_result(record, folder / "whole.lathe.h5")
    state = {
        "iteration": 7,
        "seconds": 1.5,
        "best": torch.rand(6, 4, 5),
        "solver": {"trial": torch.rand(6, 4, 5), "steps": torch.rand(3), "count": 2},
    }
    write_partial(folder / "whole.partial.h5", text, record.settings, state, record.log)
    facts = {"place": "0" * 64, "processor": "a processor", "threads": 2, "created_utc": "2026-01-01T00:00:00+00:00"}
    figures = {"iou_fine": 0.9, "iou": 0.9, "wrong_voxels": 3.0, "window_relative": 0.1, "seconds": 2.0}
    runs = tuple(
        Run("disc", {"design.loss": loss}, number, record.settings, figures, record.log, facts)
        for loss in ("gap_hinge", {"kind": "gap_hinge", "exponent": 4})
        for number in range(2)
    )
    failed = dataclasses.replace(runs[0], repeat=9, figures={}, log={}, facts={**facts, "failed": "SolveError: NaN"})
    plan = json.dumps({"rank_by": "iou_fine", "bound_iterations": 20, "jobs": ["disc.toml"]})
    study = write_study(Study("whole", plan, (*runs, failed)), folder / "whole.study.h5")
    (folder / "settings.json").write_text(json.dumps(record.settings))
    return {"result": result, "state": folder / "whole.partial.h5", "study": study}


def as_before(path: Path) -> Path:
    """The same file as it was before there were checksums, in the oldest form that HDF5 writes; beside it."""
    old = path.with_name(f"old_{path.name}")
    with h5py.File(path) as new, h5py.File(old, "w", libver="earliest") as file:
        for name in new:
            new.copy(name, file)
        file.attrs.update(dict(new.attrs))
        without_checksums(file)
    return old
