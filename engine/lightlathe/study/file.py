"""The study file: every run of a comparison in one HDF5 file, with settings, figures and logs."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import h5py

from lightlathe.result.hdf5 import log_in, put_log
from lightlathe.result.older import figures_of_today
from lightlathe.result.storage import FORMAT_VERSION, opened, whole_file
from lightlathe.result.tree import Node, json_table
from lightlathe.study.ranking import rank_figure
from lightlathe.support.files import STUDY
from lightlathe.support.watching import doing

FORMAT = STUDY


def key_of(job: str, variant: Mapping[str, Any], repeat: int) -> str:
    """What tells a run from the others of its study."""
    return json.dumps([job, variant, repeat], sort_keys=True, default=str)


@dataclass(frozen=True)
class Run:
    """One design of a study.

    job        name of its job
    variant    what was varied: dotted job keys and their plain values
    repeat     0 from the start of the job, else from that start disturbed at random with this seed
    settings   every setting after defaults
    figures    plain numbers by name, as in the result file, and some of the log's (see study/run.py)
    log        one list per column, one value per logged iteration
    facts      what ran where and when, why it stopped; `failed`, the error in words, of a design that gave nothing
    """

    job: str
    variant: dict[str, Any]
    repeat: int
    settings: dict[str, Any]
    figures: dict[str, float]
    log: dict[str, list[float]]
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> str:
        return key_of(self.job, self.variant, self.repeat)

    @property
    def failed(self) -> bool:
        return "failed" in self.facts


@dataclass(frozen=True)
class Study:
    """Runs in the order they were made; `plan` is what asked for them, the fields of plan.py's Plan as JSON."""

    name: str
    plan: str
    runs: tuple[Run, ...] = ()

    @property
    def rank_by(self) -> str:
        return json.loads(self.plan)["rank_by"]

    @property
    def metrics(self) -> tuple[str, ...]:
        """Figures that the plan asks for beside the usual ones; none in files from before they could be asked for."""
        return tuple(json.loads(self.plan).get("metrics", ()))


@doing("writing the study")
def write_study(study: Study, path: Path, *, replace: bool = True) -> Path:
    """Write all runs so far; the file is replaced as a whole, so it is readable at any time. Returns the path.

    replace   see `whole_file`
    """
    with whole_file(path, FORMAT, replace=replace) as file:
        file.attrs.update({"format": FORMAT, "format_version": FORMAT_VERSION, "name": study.name})
        file.create_dataset("plan", data=study.plan, dtype=h5py.string_dtype()).attrs.update({"units": "1", "dims": []})
        for number, run in enumerate(study.runs):
            group = file.create_group(f"runs/{number:04d}")
            group.attrs.update({"job": run.job, "repeat": run.repeat, "variant": json.dumps(run.variant, default=str)})
            text = json.dumps(run.settings, default=str)
            settings = group.create_dataset("settings", data=text, dtype=h5py.string_dtype())
            settings.attrs.update({"units": "1", "dims": []})
            group.create_group("figures").attrs.update(run.figures)
            group.create_group("facts").attrs.update(run.facts)
            put_log(group, run.log)
    return Path(path)


@doing("reading the study")
def read_study(path: str | Path) -> Study:
    """The study in a file. Raises ResultError."""
    with opened(path, FORMAT) as root:
        version, nodes = root.count("format_version"), root.find("runs")
        runs = [] if nodes is None else [_run(node, version) for _, node in sorted(nodes.children.items())]
        study = Study(root.attribute("name", str), root.text("plan"), tuple(runs))
        plan = root.table("plan")
        if not isinstance(plan.get("bound_iterations"), int):
            raise TypeError("plan does not say bound_iterations")
        rank_figure(study.rank_by, study=study)
        return study


def _run(node: Node, version: int) -> Run:
    facts, figures, settings = node["facts"].attrs, node["figures"], node.table("settings")
    run = Run(
        job=node.attribute("job", str),
        variant=json_table(node.attribute("variant", str), f"variant of {node.path}"),
        repeat=node.count("repeat", minimum=0),
        settings=settings,
        figures=figures_of_today({k: figures.attribute(k, float) for k in figures.attrs}, settings, version),
        log=log_in(node),
        facts=dict(facts),
    )
    if not run.failed:
        node["facts"].attribute("place", str)
    return run
