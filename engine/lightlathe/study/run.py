"""Runs a study: designs with different losses, solvers or settings, for comparison.

A plan (plan.py) says which. Every combination is designed from the job's start and, to see how much of a difference is
chance, from that start disturbed at random. All runs end in one HDF5 file (file.py).
"""

import dataclasses
import hashlib
import json
import logging
import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import torch

from lightlathe import pipeline
from lightlathe.bench.machine import machine
from lightlathe.errors import JobError, LightlatheError
from lightlathe.flow.devices import device_of, require_memory
from lightlathe.flow.lit import field_of
from lightlathe.flow.prepare import Setup, prepare
from lightlathe.flow.settings import settings_of
from lightlathe.flow.solids import lay_out, load_solids
from lightlathe.part import require_fit
from lightlathe.study.figures import bound_in, bound_of, figures_of
from lightlathe.study.file import read_study, write_study
from lightlathe.study.keeping import keep_run, require_new
from lightlathe.study.metrics import measured, own_metrics, require_known
from lightlathe.study.own import OwnFigure
from lightlathe.study.plan import Planned, StudyPlan, designs, same_place
from lightlathe.study.runs import Run, Study
from lightlathe.study.table import one_line
from lightlathe.study.unchanged import still_valid
from lightlathe.support.own import OwnMember
from lightlathe.support.own_file import is_own
from lightlathe.support.ranks import by_itself, ranks

log = logging.getLogger(__name__)


def begin(
    plan: StudyPlan, path: Path, *, resume: bool = False, before: Callable[[list[OwnMember]], None] | None = None
) -> tuple[Study, list[Planned]]:
    """The study as far as it got, and the designs still to be made; raises before any long work where it cannot run.

    resume   take the runs in the study file `path`; otherwise there must be no such file. Jobs, variants and repeats
             may have been added to the plan since, but what was designed must be what the plan asks for now.
    before   told which Python files are about to be run, here and in `run`
    """
    planned, figure, metrics = designs(plan), plan.figure, own_metrics(plan.metrics)
    if before is not None:
        before([*(m for one in planned for m in one.job.own), *([] if figure is None else [figure]), *metrics])
    for own in [*([] if figure is None else [figure]), *metrics]:
        own.load()
    require_known(plan.metrics)
    if not path.exists():
        require_new(path, plan.keeps)
    study = Study(path.name.partition(".")[0], json.dumps(dataclasses.asdict(plan), indent=1, default=str))
    if path.exists():
        if not resume:
            raise JobError(f"{path}: is there already. Give another name with -o, or --resume to go on with it.")
        study = dataclasses.replace(study, runs=still_valid(read_study(path), plan, planned, path).runs)
    done = {r.key for r in study.runs}
    todo = [p for p in planned if p.key not in done]
    for job in {same_place(p.job): p.job for p in todo}.values():
        job.load(design=False)
        solids = load_solids(job)[0]
        layout = lay_out(job, solids)
        for table, report in zip(job.parts, layout.fits, strict=True):
            if table.role == "part":
                require_fit(report)
        field = field_of(job, solids, layout.grid)
        require_memory(layout.grid, device_of(job), job.turn.angles * field.lit_pixels)
    return study, todo


class Watch(Protocol):
    """Callbacks for a study's progress: each design's number and name, its iterations, its outcome."""

    def begin(self, number: int, words: str) -> None: ...
    def __call__(self, figures: dict[str, float]) -> None: ...
    def done(self, words: str) -> None: ...


class Clock:
    """Tells `watch` of each iteration, and finds the seconds that went before the loop that is logged: the start, a
    ladder of coarser voxels, the plain design before a robust one. `cpu_s`: processor time of all threads up to the
    last iteration."""

    def __init__(self, watch: Watch | None) -> None:
        self.watch, self.began, self.before_s = watch, time.perf_counter(), math.nan
        self.cpu_began, self.cpu_s = time.process_time(), math.nan

    def __call__(self, figures: dict[str, float]) -> None:
        if math.isnan(self.before_s):
            self.before_s = time.perf_counter() - self.began - figures["seconds"]
        self.cpu_s = time.process_time() - self.cpu_began
        if self.watch is not None:
            self.watch(figures)


def run(study: Study, todo: list[Planned], path: Path, *, watch: Watch | None = None) -> Study:
    """Make the designs of `todo` and write each into the study file `path`; returns the study with all its runs.

    The file is whole after every run: an interrupt loses the run it falls in. A design that fails is a run without
    figures, and the study goes on. Several processes (support/ranks.py) make a design each at a time, in the order of
    the plan; the first of them writes.
    """
    team, plan = ranks(), json.loads(study.plan)
    makes = Making(study, plan, path, watch)
    bounds = {r.facts["place"]: bound_in(r.figures) for r in study.runs if not r.failed}
    for planned in todo:
        planned.job.load()
    ours = path.exists()  # a study that goes on; what comes there meanwhile is another's
    team.meet()
    for first in range(0, len(todo), team.size):
        here = todo[first : first + team.size]
        places, made = [_place(planned) for planned in here], None
        if team.rank < len(here):
            place, number = places[team.rank], first + team.rank
            proves = bool(plan["bound_iterations"]) and place not in bounds and place not in places[: team.rank]
            if watch is not None:
                watch.begin(number, here[team.rank].words)
            with by_itself():
                made = makes.run(
                    here[team.rank], len(study.runs) + team.rank, plan["bound_iterations"] if proves else 0
                )
        for rank, place in enumerate(places):
            found, bound = team.told_by(rank, made)
            bounds |= {} if bound is None else {place: bound}
            found = found if found.failed else makes.completed(found, bounds.get(place, {}))
            study = dataclasses.replace(study, runs=(*study.runs, found))
            if team.first:
                write_study(study, path, replace=ours)
                ours = True
            if watch is not None:
                watch.done(one_line(found))
    return study


def _place(planned: Planned) -> str:
    """Of part, grid, motion and light: designs of one place have one bound."""
    return hashlib.sha256(same_place(planned.job).encode()).hexdigest()


class Making:
    """Makes the runs of a study."""

    def __init__(self, study: Study, plan: dict[str, Any], path: Path, watch: Watch | None) -> None:
        rank_by = plan.get("rank_by", "")
        self.path, self.watch, self.metrics = path, watch, own_metrics(study.metrics)
        self.figure = OwnFigure.named(rank_by, Path()) if is_own(rank_by) and rank_by not in study.metrics else None
        self.keep = [plan["keep"]] if isinstance(plan.get("keep"), str) else plan.get("keep", ())
        self.setups: dict[str, Setup] = {}

    def run(self, planned: Planned, number: int, bound_steps: int) -> tuple[Run, dict[str, float] | None]:
        """A run, the `number`th of the study, and the bound of its place, if it is asked for: in how many steps."""
        job, place, bound = planned.job, _place(planned), None
        if place not in self.setups:
            self.setups = {place: _warm(prepare(job))}  # one at a time: volumes are large
        setup = dataclasses.replace(self.setups[place], job=job)
        facts: dict[str, Any] = {"place": place, **_machine(setup)}
        figures, rows = {}, {}
        clock = Clock(self.watch)
        try:
            record = pipeline.design(job, setup=setup, on_iteration=clock)
        except LightlatheError as problem:
            facts["failed"] = f"{type(problem).__name__}: {problem}"
        else:
            if bound_steps:
                bound = bound_of(setup, record, bound_steps)
            facts |= record.facts
            rows = {**record.log, "seconds": [second + clock.before_s for second in record.log["seconds"]]}
            figures = figures_of(record, rows) | {"cpu_seconds": clock.cpu_s}
            values, failed = measured(self.metrics, record)
            figures |= values
            facts |= {"metric_failed": failed} if failed else {}
            if self.keep:
                facts["kept"] = keep_run(record, self.keep, self.path, number)
        settings = settings_of(job, setup.solids)
        return Run(job.name, planned.variant, planned.repeat, settings, figures, rows, facts), bound

    def completed(self, run: Run, bound: dict[str, float]) -> Run:
        """With the bound of its place, and the user's own figure."""
        figures = run.figures | bound
        if "window_proven_at_most" in figures:
            figures["window_gap"] = figures["window_proven_at_most"] - figures["window_relative"]
        if self.figure is not None:
            figures[self.figure.name] = self.figure(figures)
        return dataclasses.replace(run, figures=figures)


def _warm(setup: Setup) -> Setup:
    """Both products once, so that no run's seconds hold the time in which kernels are compiled or loaded."""
    operator = setup.in_design
    operator.transpose(operator(torch.zeros(operator.pattern_shape, device=setup.device, dtype=setup.dtype)))
    return setup


def _machine(setup: Setup) -> dict[str, Any]:
    found = machine(setup.device)
    return {name: found[name] for name in ("processor", "threads", "card") if name in found}
