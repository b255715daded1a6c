"""The settings of a job as a result holds them, and messages about what its file will lack."""

from collections.abc import Iterator
from typing import Any

from lightlathe.errors import JobError, shown
from lightlathe.flow.solids import Solid
from lightlathe.job import Job
from lightlathe.job.members import MADE_IN_PYTHON
from lightlathe.job.resolved import resolved
from lightlathe.solve import Earlier
from lightlathe.support.files import sha256_of
from lightlathe.support.own_file import is_own


def settings_of(job: Job, solids: tuple[Solid, ...]) -> dict[str, Any]:
    """Every setting of a job, and the SHA-256 of each file that it names: the record of what was designed.

    solids   what `load_solids` gave: a file's SHA-256 is of the bytes that were read, even if it changed since
    Raises   JobError where two parts read one file and it had changed in between
    """
    files: dict[str, str] = {}
    for name, sha256 in (item for solid in solids for item in solid.files.items()):
        if files.setdefault(name, sha256) != sha256:
            raise JobError(f"{name}: changed while the parts of this job were read. Start again.")
    start = job.design.start
    if isinstance(start, Earlier):
        files[start.result] = sha256_of(job.path(start.result))
    files |= {own.name.rpartition(":")[0]: own.source.sha256 for own in job.own} | dict(job.files)
    return {**resolved(job), "files": files, **sources_of(job)}


def sources_of(job: Job) -> dict[str, dict[str, str]]:
    """The text of each Python file that says what is printed: predicting the print again takes it."""
    found = {own.name.rpartition(":")[0]: own.source.source for own in job.own_of_print}
    texts = {name: source.decode("utf-8-sig", "replace") for name, source in found.items()}
    return {"sources": texts} if texts else {}


def own_of(job: Job) -> dict[str, Any]:
    """The members of a job that no file holds, by their place: "resin", "light.beam", "light.response"."""
    at = {"resin": job.resin, "light.beam": job.light.beam, "light.response": job.light.response}
    return {place: at[place] for place, _ in outside(_settings(job)) if place in at}


def _settings(job: Job) -> dict[str, Any]:
    """What a result of this job will say of it; of the Python files whose text it holds only that it does."""
    return {**resolved(job), "sources": {own.name.rpartition(":")[0]: "" for own in job.own_of_print}}


def left_out(job: Job) -> list[str]:
    """Sentences on what a result of this job cannot do because its file does not hold it."""
    settings = _settings(job)
    names = dict(outside(settings))
    said = []
    if "resin" in names:
        said.append(
            f"The print cannot be predicted from the file alone: the resin is {shown(names['resin'])}, Python that it "
            "does not hold. From Python, predict(record, resin=...) takes it."
        )
    if "light.response" in names:
        said.append(
            f"Frames cannot be exported from the file alone: the response is {shown(names['light.response'])}, Python "
            "that it does not hold."
        )
    made = [f"{place} ({name.removeprefix(MADE_IN_PYTHON)})" for place, name in _all(settings, "") if _made(name)]
    if made:
        said.append(f"The design cannot be repeated from the file alone: made in Python were {', '.join(made)}.")
    return said


def outside(tables: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """(place, name) of the members among the physical tables that are Python of the user's own."""
    light = tables["light"] if isinstance(tables["light"], dict) else {}
    for place, value in (
        ("resin", tables["resin"]),
        *((f"light.{key}", light.get(key)) for key in ("beam", "response")),
    ):
        if is_outside(name := kind_of(value), tables):
            yield place, str(name)


def kind_of(value: Any) -> Any:
    """The name of a member in settings: its `kind` where it has settings of its own."""
    return value.get("kind") if isinstance(value, dict) else value


def is_outside(name: Any, tables: dict[str, Any]) -> bool:
    """Whether a member is Python that the file holds neither the text of nor anything else."""
    return _made(name) or (is_own(name) and name.rpartition(":")[0] not in tables.get("sources", {}))


def _made(name: Any) -> bool:
    return isinstance(name, str) and name.startswith(MADE_IN_PYTHON)


def _all(value: Any, place: str) -> Iterator[tuple[str, str]]:
    """(place, name) of every member in a tree of settings that is named by itself or by its `kind`."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _all(inner, place if key == "kind" else f"{place}.{key}".lstrip("."))
    elif isinstance(value, list):
        for inner in value:
            yield from _all(inner, place)
    elif isinstance(value, str):
        yield place, value
