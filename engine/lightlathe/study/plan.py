"""A study file (TOML): which designs to compare, and how each differs from its job."""

import dataclasses
import itertools
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightlathe.checks import path_in
from lightlathe.errors import JobError, LightlatheError, brief, shown
from lightlathe.job import Job, job_from, load_job, resolved
from lightlathe.job.tables import Where, build
from lightlathe.job.toml import read_text, tables_of
from lightlathe.study.keeping import KEEPS
from lightlathe.study.metrics import OwnMetric
from lightlathe.study.own import OwnFigure
from lightlathe.study.ranking import BETTER, label
from lightlathe.study.runs import key_of
from lightlathe.support.own import OwnMember
from lightlathe.support.own_file import is_own
from lightlathe.support.words import any_of

DISTURBANCE = 0.3  # of the start of a repeated run: the standard deviation of the logarithm of each level
MAX_DESIGNS = 10_000  # a week of designs that take a minute each
OF_THE_DESIGN = (  # keys of [design] that change neither voxels nor operator, so that runs share their preparation
    "loss", "solver", "start", "weight", "part_weight", "penalties", "stop", "robust", "ladder", "iterations",
    "bound_iterations", "rounding_iterations", "level_limit", "seed",
)  # fmt: skip


@dataclass(frozen=True)
class StudyPlan:
    """What a study compares. Fields are the keys of [study]; `vary` and `set` use dotted job keys ("design.loss").

    jobs               job files, relative to the study file
    vary               key -> list of values; every combination is designed
    set                key -> value, the same for every run
    repeats            runs of each combination: one from the job's start, the others from that start disturbed
    rank_by            figure that orders the table
    bound_iterations   steps on the upper bound of the window, once per part, grid and light; 0: none
    metrics            figures shown beside the usual ones: names of /quality, and functions of the user's own of the
                       record of a run, "file.py:name"
    keep               what is kept of every run besides its figures: "patterns", "dose", "result" (study/keeping.py)
    """

    jobs: tuple[str, ...]
    vary: Any = None
    set: Any = None
    repeats: int = 3
    rank_by: str = "iou_fine"
    bound_iterations: int = 100
    metrics: tuple[str, ...] = ()
    keep: tuple[str, ...] | str = ()

    def __post_init__(self) -> None:
        if not self.jobs or self.repeats < 1 or self.bound_iterations < 0:
            raise JobError(
                f"a study of {len(self.jobs)} jobs, repeats = {self.repeats}, bound_iterations = "
                f"{self.bound_iterations}; expected a job and a repeat or more, and 0 or more steps."
            )
        if self.repeats > 1000:
            raise JobError(f"repeats is {self.repeats}; expected 1000 at most.")
        if isinstance(self.vary, Mapping) and all(isinstance(values, list) for values in self.vary.values()):
            count = len(self.jobs) * self.repeats * math.prod(len(values) for values in self.vary.values())
            if count > MAX_DESIGNS:
                raise JobError(f"the study asks for {count} designs; expected {MAX_DESIGNS} at most.")
        names = [Path(job).stem for job in self.jobs]
        if len(set(names)) < len(names):
            raise JobError(f"jobs are told apart by their names; got {brief(', '.join(names))}. Rename one.")
        for kept in self.keeps:
            if kept not in KEEPS:
                raise JobError(f"keep is {shown(kept)}; expected {any_of(KEEPS)}, or a list of these.")
        if self.rank_by not in BETTER and self.rank_by not in self.metrics and not is_own(self.rank_by):
            names = f"one of {', '.join(BETTER)}, one of metrics, or a function of yours, file.py:name"
            raise JobError(f"rank_by is {shown(self.rank_by)}; expected {names}.")
        vary = self.vary
        if not isinstance(vary, Mapping) or not vary or not all(isinstance(v, list) and v for v in vary.values()):
            raise JobError(
                "vary must be a table of lists with one value or more each, its keys in quotes:\n"
                '  [study.vary]\n  "design.loss" = ["soft_window", "gap_hinge"]'
            )
        if not isinstance(self.set, Mapping | None):
            raise JobError('set must be a table of values: "design.iterations" = 100.')
        for key in (*vary, *(self.set or {})):
            table, _, rest = key.partition(".")
            if not table or not rest or "." in rest:
                raise JobError(f'{shown(key)} does not name a key of a table; expected for example "design.loss".')
            if key == "design.bound_iterations":
                raise JobError("a study proves once for all its runs: set bound_iterations in [study].")
            if key in vary and key in (self.set or {}):
                raise JobError(f"{shown(key)} is in vary and in set; expected it in one of them.")

    @property
    def figure(self) -> OwnFigure | None:
        """The ranking figure, where it is the user's and no metric; not run."""
        return (
            OwnFigure.named(self.rank_by, Path()) if is_own(self.rank_by) and self.rank_by not in self.metrics else None
        )

    @property
    def keeps(self) -> tuple[str, ...]:
        """`keep` as a list."""
        return (self.keep,) if isinstance(self.keep, str) else self.keep

    def variants(self) -> list[dict[str, Any]]:
        """Every combination of the varied values, the last key changing fastest."""
        return [dict(zip(self.vary, values, strict=True)) for values in itertools.product(*self.vary.values())]


@dataclass(frozen=True)
class Planned:
    """One design that a plan asks for."""

    job: Job
    variant: dict[str, Any]
    repeat: int

    @property
    def key(self) -> str:
        return key_of(self.job.name, self.variant, self.repeat)

    @property
    def words(self) -> str:
        return f"{self.job.name}: {label(self.variant)}" + (f", repeat {self.repeat}" if self.repeat else "")


def load_plan(path: str | Path) -> StudyPlan:
    """The plan in a study file; its [study] table holds the fields of StudyPlan. Paths in it become absolute.

    Raises JobError.
    """
    path = Path(path)
    tables = tables_of(read_text(path, "study"), str(path))
    if list(tables) != ["study"]:
        names = brief(", ".join(map(shown, tables))) or "none"
        raise JobError(
            f"{path}: has the tables {names}; a study file has [study] alone. For a job file: `lightlathe design`."
        )
    plan = build(StudyPlan, tables["study"], Where(path.name, "study"))
    try:
        jobs = [path_in(path.parent, job).resolve() for job in plan.jobs]
    except (OSError, RuntimeError) as problem:  # links that go round
        raise JobError(f"{path}: jobs in [study] cannot be followed: {problem}.") from None
    metrics = tuple(_absolute(OwnMetric, name, path, "metrics") for name in plan.metrics)
    own = OwnMetric if plan.rank_by in plan.metrics else OwnFigure
    rank_by = _absolute(own, plan.rank_by, path, "rank_by")
    return dataclasses.replace(plan, jobs=tuple(map(str, jobs)), rank_by=rank_by, metrics=metrics)


def _absolute(own: type[OwnMember], name: str, study: Path, key: str) -> str:
    """A figure's name; that of the user's own with the absolute path of its file. Raises JobError."""
    if not is_own(name):
        return name
    try:
        return str(own.named(name, study.parent).source.file) + ":" + name.rpartition(":")[2]
    except JobError as problem:
        raise JobError(f"{study} [study]: {key} = {problem}") from None


def designs(plan: StudyPlan) -> list[Planned]:
    """Every design of a plan, in running order. Raises what its job files would raise.

    Repeats alternate: every variant once, then every variant again. A machine that grows slower or warmer, or is shared
    for a while, then weighs on all of them alike.
    """
    planned: dict[str, Planned] = {}
    seen: dict[str, str] = {}
    for job, repeat, variant in itertools.product(plan.jobs, range(plan.repeats), plan.variants()):
        one = Planned(changed(Path(job), {**(plan.set or {}), **variant}, repeat), variant, repeat)
        same = seen.setdefault(json.dumps([one.job.name, resolved(one.job)], sort_keys=True, default=str), one.words)
        if same != one.words or one.key in planned:
            raise JobError(
                f"study: '{brief(same)}' and '{brief(one.words)}' are the same design; leave one of them out."
            )
        planned[one.key] = one
    return list(planned.values())


def changed(path: Path, changes: Mapping[str, Any], repeat: int) -> Job:
    """The job at `path` with dotted keys changed; a repeat above 0 disturbs its start with that seed."""
    original = load_job(path)
    tables = tables_of(original.text, path.name)
    for dotted, value in changes.items():
        table, _, key = dotted.partition(".")
        held = tables.get(table, {})
        if isinstance(held, list) and len(held) == 1 and isinstance(held[0], dict):
            tables[table] = [{**held[0], key: value}]
            continue
        if isinstance(held, list):
            raise JobError(f"study: {path.name} has several [[{table}]]; {shown(dotted)} cannot say which is meant.")
        tables[table] = {**tables.get(table, {}), key: value}
    design = dict(tables.get("design", {}))
    design["bound_iterations"] = 0  # proven once for all runs, see study/run.py
    if repeat:
        start: Any = design.get("start", "filtered")
        start = {"kind": start} if isinstance(start, str) else start
        seed = start.get("seed", 0) if isinstance(start, Mapping) else None
        if not isinstance(seed, int) or start.get("kind") not in ("filtered", "uniform"):
            raise JobError(
                f"study: only the starts filtered and uniform can be disturbed, not {shown(start)}; set repeats = 1."
            )
        by = start.get("disturbed") or DISTURBANCE
        design["start"] = {**start, "disturbed": by, "seed": seed + repeat}
    tables["design"] = design
    try:
        return job_from(tables, name=original.name, folder=original.folder, file=path.name, text=original.text)
    except LightlatheError as problem:
        raise type(problem)(f"study, {brief(label(changes))}: {problem}") from None


def same_place(job: Job) -> str:
    """Equal for jobs that share voxels, chords and operator."""
    tables = resolved(job)
    tables["design"] = {k: v for k, v in tables["design"].items() if k not in OF_THE_DESIGN}
    robust, coarse = job.design.robust, max((stage.coarser for stage in job.design.ladder), default=1)
    lit = [job.design.level_limit, coarse, () if robust is None else robust.axis_offset_mm]  # see flow/lit.py
    return json.dumps([str(job.folder), tables, *lit], sort_keys=True, default=str)
