"""Every job and study in configs/ is designed, coarsely: three steps on voxels and pixels a few times as wide."""

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from lightlathe import pipeline
from lightlathe.job import job_from, load_job
from lightlathe.job.toml import tables_of
from lightlathe.study.plan import designs, load_plan
from lightlathe.study.run import begin, run

CONFIGS = Path(__file__).resolve().parents[1] / "configs"
STUDIES = sorted(CONFIGS.glob("study*.toml"))
JOBS = sorted(set(CONFIGS.glob("*.toml")) - set(STUDIES))
PIXEL_MM = 0.3
MICRO = {  # of a job whose pixels are finer than 0.05 mm: two cells of its scaffold in a vial as small
    "part": {"x_mm": 0.22, "y_mm": 0.22, "z_mm": 0.12},
    "vial": {"inner_diameter_mm": 0.5},
    "light": {"pixel_mm": 0.01, "columns": 50, "rows": 20},
}


def coarse(path: Path) -> Any:
    """The job with pixels and voxels of 0.3 mm on the same field, images that stand still, and three iterations."""
    job = load_job(path)
    tables, finer = tables_of(job.text, path.name), job.light.pixel_mm / PIXEL_MM
    tables["light"] |= {
        "pixel_mm": PIXEL_MM,
        "columns": round(job.light.columns * finer),
        "rows": round(job.light.rows * finer),
    }
    if job.light.pixel_mm < 0.05:
        tables["part"]["shape"] |= MICRO["part"]
        tables["vial"] |= MICRO["vial"]
        tables["light"] |= MICRO["light"]
    tables["turn"] |= {"angles": 60, "motion": "stepped"}
    tables["grid"] |= {"voxel_mm": tables["light"]["pixel_mm"], "finer": 1}
    tables["design"] |= {"iterations": 3, "bound_iterations": 10}
    return job_from(tables, name=job.name, folder=job.folder, file=path.name, text=job.text)


def test_configs_are_found():
    assert {"quickstart", "tube", "gyroid", "flow_cell", "needle_hub", "rod_collar", "micro"} <= {
        path.stem for path in JOBS
    }
    assert STUDIES


@pytest.mark.parametrize("path", JOBS, ids=lambda path: path.stem)
def test_a_job_is_designed(path):
    record = pipeline.design(coarse(path))
    dose, solid = record.prediction.dose, record.part.judged == 2
    assert float(dose[solid].mean()) > 1.2 * float(dose[record.part.judged == 1].mean())  # the part takes the light
    assert record.quality["iou"] > 0.5
    assert load_job(path).design.iterations >= 40  # as shipped it is a real design


def test_a_hub_is_printed_around_its_needle():
    """As shipped, but for the finer grid and the bound: every voxel of its own grid right beside an opaque needle."""
    path = CONFIGS / "needle_hub.toml"
    job = load_job(path)
    tables = tables_of(job.text, path.name)
    tables["grid"]["finer"], tables["design"]["bound_iterations"] = 1, 0
    record = pipeline.design(job_from(tables, name=job.name, folder=job.folder, file=path.name, text=job.text))
    assert record.part.opaque is not None
    assert record.quality["wrong_voxels"] == 0
    assert record.quality["window_relative"] > 0.1  # 0.23 as measured


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.stem)
def test_a_study_is_run(path, tmp_path):
    """Every loss with one solver and every solver with one loss, once each."""
    plan = load_plan(path)
    names = [Path(job).name for job in plan.jobs]
    assert all((CONFIGS / name).exists() for name in names)
    assert len(designs(plan)) == len(plan.jobs) * len(plan.variants()) * plan.repeats  # as shipped it can be planned
    little = {"light.pixel_mm": PIXEL_MM, "light.columns": 34, "light.rows": 28, "grid.voxel_mm": PIXEL_MM}
    little |= {"grid.finer": 1, "turn.angles": 40, "design.iterations": 2}
    first = {key: values[:1] for key, values in plan.vary.items()}
    for key in plan.vary:
        vary = {**first, key: plan.vary[key]}
        short = dataclasses.replace(
            plan, jobs=plan.jobs[:1], vary=vary, set={**plan.set, **little}, repeats=1, bound_iterations=0,
            rank_by="iou",
        )  # fmt: skip
        file = tmp_path / f"{key}.study.h5"
        study = run(*begin(short, file), file)
        assert len(study.runs) == len(plan.vary[key])
        assert not [r.facts["failed"] for r in study.runs if r.failed]
