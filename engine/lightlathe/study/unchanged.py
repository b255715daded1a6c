"""Whether a study that goes on still is the one that its plan asks for."""

import json
from pathlib import Path
from typing import Any

from lightlathe.errors import JobError
from lightlathe.flow.settings import settings_of
from lightlathe.flow.solids import Solid, load_solids
from lightlathe.study.plan import Planned, StudyPlan
from lightlathe.study.runs import Study


def still_valid(study: Study, plan: StudyPlan, planned: list[Planned], path: Path) -> Study:
    """The study, if its runs are what the plan asks for now; JobError names what has changed since."""
    if json.loads(study.plan)["bound_iterations"] != plan.bound_iterations:
        raise JobError(f"{path}: its runs were made with another value of bound_iterations; start afresh with -o.")
    now = {p.key: p.job for p in planned}
    read: dict[str, tuple[Solid, ...]] = {}
    for r in (r for r in study.runs if r.key in now):
        job = now[r.key]
        meshes = f"{job.folder} {job.parts}"
        if meshes not in read:
            read = {meshes: load_solids(job)[0]}  # one at a time: runs of one job come together
        settings = json.loads(json.dumps(settings_of(job, read[meshes])))
        changed = [name for name in _differing(r.settings, settings) if not name.startswith("notes")]
        if changed:
            raise JobError(
                f"{path}: {r.job} was designed with other settings than the plan has now ({', '.join(changed)}).\n"
                "  Put them back, or start afresh under another name with -o."
            )
    return study


def _differing(old: Any, new: Any, at: str = "") -> list[str]:
    """Dotted names of what differs between two trees of settings."""
    if isinstance(old, dict) and isinstance(new, dict):
        return [
            name
            for key in dict.fromkeys([*old, *new])
            for name in _differing(old.get(key), new.get(key), f"{at}.{key}".lstrip("."))
        ]
    return [] if old == new else [at]
