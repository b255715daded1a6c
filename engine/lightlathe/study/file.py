"""The study file: every run of a comparison in one HDF5 file, with settings, figures and logs."""

import json
from pathlib import Path

import h5py

from lightlathe.result.hdf5 import log_in, put_log
from lightlathe.result.older import figures_of_today
from lightlathe.result.storage import FORMAT_VERSION, opened, whole_file
from lightlathe.result.tree import Node, json_table
from lightlathe.study.ranking import rank_figure
from lightlathe.study.runs import Run, Study
from lightlathe.support.files import STUDY
from lightlathe.support.watching import doing

FORMAT = STUDY


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
        rank_figure(study.rank_by, metrics=study.metrics)
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
