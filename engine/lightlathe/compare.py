"""Designs under several losses, solvers or settings side by side: which is best here, by how much, and is that noise?

A study file (TOML) names jobs and what to vary; every combination is designed from the job's start and, to see how much
of a difference is chance, from that start disturbed at random. Runs end in one HDF5 file (result/study.py).
"""

import dataclasses
import itertools
import json
import logging
import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightlathe import pipeline
from lightlathe.errors import JobError
from lightlathe.formulate import problem_of
from lightlathe.job import Job, job_from, load_job, resolved
from lightlathe.job.tables import Where, build
from lightlathe.prepare import Setup, prepare
from lightlathe.proof import Proof, proof_of
from lightlathe.result.ranking import BETTER, label
from lightlathe.result.record import Record

log = logging.getLogger(__name__)

DISTURBANCE = 0.3  # of the start of a repeated run: the standard deviation of the logarithm of each level
OF_THE_DESIGN = (  # keys of [design] that change neither voxels nor operator, so that runs share their preparation
    "loss", "solver", "start", "weight", "penalties", "stop", "robust", "iterations", "bound_iterations", "level_limit",
    "seed",
)  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """What a study compares. Fields are the keys of [study]; `vary` and `set` use dotted job keys ("design.loss").

    jobs               job files, relative to the study file
    vary               key -> list of values; every combination is designed
    set                key -> value, the same for every run
    repeats            runs of each combination: one from the job's start, the others from that start disturbed
    rank_by            figure that orders the table
    bound_iterations   steps on the proof of the widest possible window, once per part, grid and light; 0 leaves it out
    """

    jobs: tuple[str, ...]
    vary: Any
    set: Any = None
    repeats: int = 3
    rank_by: str = "iou_fine"
    bound_iterations: int = 100

    def __post_init__(self) -> None:
        if not self.jobs or self.repeats < 1 or self.bound_iterations < 0:
            raise JobError(
                f"a study of {len(self.jobs)} jobs, repeats = {self.repeats}, bound_iterations = "
                f"{self.bound_iterations}; expected a job and a repeat or more, and 0 or more steps."
            )
        if self.rank_by not in BETTER:
            raise JobError(f"rank_by is '{self.rank_by}'; expected one of {', '.join(BETTER)}.")
        if not isinstance(self.vary, Mapping) or not all(isinstance(v, list) and v for v in self.vary.values()):
            raise JobError('vary must be a table of lists with one value or more each: "design.loss" = [...].')
        if not isinstance(self.set, Mapping | None):
            raise JobError('set must be a table of values: "design.iterations" = 100.')

    def variants(self) -> list[dict[str, Any]]:
        """Every combination of the varied values, the last key changing fastest."""
        return [dict(zip(self.vary, values, strict=True)) for values in itertools.product(*self.vary.values())]


def load_plan(path: str | Path) -> Plan:
    """The plan in a study file; its [study] table holds the fields of Plan. Job paths become absolute."""
    path = Path(path)
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as problem:
        raise JobError(f"{path}: cannot read the study file ({problem.strerror}). Is the path right?") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise JobError(f"{path}: not valid TOML: {problem}.") from None
    if list(tables) != ["study"]:
        raise JobError(f"{path}: has the tables {', '.join(tables) or 'none'}; a study file has [study] alone.")
    plan = build(Plan, tables["study"], Where(path.name, "study"))
    return dataclasses.replace(plan, jobs=tuple(str((path.parent / job).resolve()) for job in plan.jobs))


def run(
    plan: Plan,
    path: Path,
    *,
    resume: bool = False,
    on_run: Callable[[int, int, str], None] | None = None,
) -> Any:
    """Make all runs of a plan that the study file `path` does not hold yet; returns the Study (result/study.py).

    resume   go on with the runs in `path`; otherwise there must be no such file. More jobs, variants and repeats may
             have been added since, but what is set for all runs must be the same.
    on_run   called before each run with its number from 0, the number of all runs, and what is designed
    The file is whole after every run: an interrupt loses the run it falls in.
    """
    from lightlathe.result.study import Run, Study, read_study, write_study  # h5py is loaded here

    if path.exists() and not resume:
        raise JobError(f"{path}: is there already. Give another name, or resume it.")
    study = Study(path.name.partition(".")[0], json.dumps(dataclasses.asdict(plan), indent=1), {})
    if path.exists():
        before = read_study(path)
        old = json.loads(before.plan)
        if (old["set"], old["bound_iterations"]) != (plan.set, plan.bound_iterations):
            raise JobError(f"{path}: its runs were made with other values in set or bound_iterations; start afresh.")
        study = dataclasses.replace(study, facts=before.facts, runs=before.runs)
    done = {r.key for r in study.runs}
    todo = [  # built before any long work, so that a wrong key shows now
        (variant, repeat, changed(Path(job), {**(plan.set or {}), **variant}, repeat))
        for job, variant, repeat in itertools.product(plan.jobs, plan.variants(), range(plan.repeats))
    ]
    made: dict[str, Setup] = {}
    proofs: dict[str, Proof | None] = {}
    for number, (variant, repeat, job) in enumerate(todo):
        if Run(job.name, variant, repeat, {}, {}, {}).key in done:
            continue
        if on_run is not None:
            on_run(number, len(todo), f"{job.name}: {label(variant)}" + (f", repeat {repeat}" if repeat else ""))
        place = same_place(job)
        if place not in made:
            made = {place: prepare(job)}  # one at a time: volumes are large
        setup = dataclasses.replace(made[place], job=job)
        record = pipeline.design(job, setup=setup)
        if place not in proofs and plan.bound_iterations:
            proofs[place] = _proof(setup, record, plan.bound_iterations)
        figures = _figures(record, proofs.get(place))
        study = dataclasses.replace(study, facts=record.facts).with_run(
            Run(job.name, variant, repeat, resolved(job), figures, record.log)
        )
        write_study(study, path)
    return study


def changed(path: Path, changes: Mapping[str, Any], repeat: int) -> Job:
    """The job at `path` with dotted keys changed; a repeat above 0 disturbs its start with that seed."""
    original = load_job(path)
    tables = tomllib.loads(original.text)
    for dotted, value in changes.items():
        table, _, key = dotted.partition(".")
        if not key or isinstance(tables.get(table, {}), list):
            raise JobError(f"study: '{dotted}' does not name a key of one table; expected for example design.loss.")
        tables[table] = {**tables.get(table, {}), key: value}
    design = dict(tables.get("design", {}))
    design["bound_iterations"] = 0  # proven once for all runs, see `run`
    if repeat:
        start = design.get("start", "filtered")
        start = {"kind": start} if isinstance(start, str) else start
        if start.get("kind") not in ("filtered", "uniform"):
            raise JobError(
                f"study: only the starts filtered and uniform can be disturbed, not {start}; set repeats = 1."
            )
        design["start"] = {**start, "disturbed": DISTURBANCE, "seed": repeat}
    tables["design"] = design
    return job_from(tables, name=original.name, folder=original.folder, file=path.name, text=original.text)


def same_place(job: Job) -> str:
    """Equal for jobs that share voxels, chords and operator."""
    tables = resolved(job)
    tables["design"] = {k: v for k, v in tables["design"].items() if k not in OF_THE_DESIGN}
    return json.dumps([str(job.folder), tables, job.design.level_limit], sort_keys=True)


def _proof(setup: Setup, record: Record, iterations: int) -> Proof | None:
    dose = record.prediction.dose.to(setup.device) / setup.job.resin.gel_mj_cm3
    return proof_of(setup, problem_of(setup).operator.gain, dose, iterations=iterations)


def _figures(record: Record, proof: Proof | None) -> dict[str, float]:
    """The figures of the print, and of the way there."""
    wrong = np.add(record.log["under_cure_fraction"], record.log["over_cure_fraction"])
    figures = {
        **record.quality,
        "seconds": record.log["seconds"][-1],
        "iterations": record.log["iteration"][-1] + 1,
        "iterations_to_none_wrong": float(1 + np.argmax(wrong == 0)) if (wrong == 0).any() else math.nan,
        "mean_level": float(record.patterns.fractions().mean()),
    }
    if proof is not None:
        figures |= proof.figures() | {"window_gap": proof.at_most_here - record.quality["window_relative"]}
    return figures
