"""The study file: every run of a comparison in one HDF5 file, with settings, figures and logs."""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import h5py

from lightlathe.result.hdf5 import FORMAT_VERSION, opened, put_log, whole_file

FORMAT = "lightlathe-study"


@dataclass(frozen=True)
class Run:
    """One design of a study.

    job        name of its job
    variant    what was varied: dotted job keys and their plain values
    repeat     0 from the start of the job, else from that start disturbed at random with this seed
    settings   every setting after defaults
    figures    plain numbers by name, as in the result file, and some of the log's (see compare.py)
    log        one list per column, one value per logged iteration
    """

    job: str
    variant: dict[str, Any]
    repeat: int
    settings: dict[str, Any]
    figures: dict[str, float]
    log: dict[str, list[float]]

    @property
    def key(self) -> str:
        """What tells this run from the others of its study."""
        return json.dumps([self.job, self.variant, self.repeat], sort_keys=True)


@dataclass(frozen=True)
class Study:
    """Runs in the order they were made; `plan` is the text that asked for them, `facts` tell what ran where."""

    name: str
    plan: str
    facts: dict[str, Any]
    runs: tuple[Run, ...] = ()

    def with_run(self, run: Run) -> "Study":
        return replace(self, runs=(*self.runs, run))


def write_study(study: Study, path: Path) -> Path:
    """Write all runs so far; the file is replaced as a whole, so it is readable at any time. Returns the path."""
    with whole_file(path) as file:
        file.attrs.update({"format": FORMAT, "format_version": FORMAT_VERSION, "name": study.name, **study.facts})
        file.create_dataset("plan", data=study.plan, dtype=h5py.string_dtype()).attrs.update({"units": "1", "dims": []})
        for number, run in enumerate(study.runs):
            group = file.create_group(f"runs/{number:04d}")
            group.attrs.update({"job": run.job, "repeat": run.repeat, "variant": json.dumps(run.variant)})
            settings = group.create_dataset("settings", data=json.dumps(run.settings), dtype=h5py.string_dtype())
            settings.attrs.update({"units": "1", "dims": []})
            group.create_group("figures").attrs.update(run.figures)
            put_log(group, run.log)
    return Path(path)


def read_study(path: str | Path) -> Study:
    """The study in a file. Raises ResultError."""
    with opened(path, FORMAT) as file:
        known = ("format", "format_version", "name")
        facts = {k: v.item() if hasattr(v, "item") else v for k, v in file.attrs.items() if k not in known}
        runs = []
        for group in (file["runs"][number] for number in sorted(file.get("runs", {}))):
            runs.append(
                Run(
                    job=str(group.attrs["job"]),
                    variant=json.loads(group.attrs["variant"]),
                    repeat=int(group.attrs["repeat"]),
                    settings=json.loads(group["settings"].asstr()[()]),
                    figures={k: float(v) for k, v in group["figures"].attrs.items()},
                    log={k: v[()].tolist() for k, v in group.get("log", {}).items()},
                )
            )
        return Study(str(file.attrs["name"]), file["plan"].asstr()[()], facts, tuple(runs))
