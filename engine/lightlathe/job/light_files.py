"""Files that [light] names: read with the job, their values taken into it, so that a result needs none of them."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from lightlathe.checks import path_in
from lightlathe.errors import JobError, shown
from lightlathe.job.tables import Where
from lightlathe.projector.data_files import DataFile, read_file
from lightlathe.projector.flat_field_file import read_flat_field
from lightlathe.projector.measured import read_response

Read = TypeVar("Read")
Files = dict[str, str]  # name in the job -> SHA-256 of what was read


def with_files(table: Any, folder: Path, where: Where) -> tuple[Any, Files]:
    """The table [light] with the values of its files in place of their names, and what was read. Raises JobError."""
    files: Files = {}
    if not isinstance(table, Mapping):
        return table, files  # whoever builds the table says what is wrong
    response = table.get("response")
    if isinstance(response, str) and response == "measured":
        response = {"kind": "measured"}
    if isinstance(response, Mapping) and response.get("kind") == "measured":
        table = {**table, "response": _measured(response, folder, where.inner("response"), files)}
    name = table.get("illumination")
    if isinstance(name, str):
        found = _read(lambda file: read_flat_field(file, name), name, folder, where.inner("illumination"), files)
        table = {**table, "illumination": found}
    return table, files


def _measured(response: Mapping[str, Any], folder: Path, where: Where, files: Files) -> Any:
    """The values of a measured response: those that stand there, or those of its file."""
    lists = [key for key in ("code", "measured_light") if key in response]
    if "file" not in response:
        if not lists:
            raise JobError(f"{where}: file is missing; expected the name of a CSV file with columns code and light.")
        return response
    if lists:
        raise JobError(f"{where}: file and {lists[0]} are given; expected the file alone, or both lists without it.")
    name = response["file"]
    if not isinstance(name, str):
        raise JobError(f"{where}: file is {shown(name)}; expected the name of a CSV file with columns code and light.")
    found = _read(read_response, name, folder, where, files)
    others = {key: value for key, value in response.items() if key != "file"}
    return {**others, "code": list(found.code), "measured_light": list(found.measured_light)}


def _read(reader: Callable[[DataFile], Read], name: str, folder: Path, where: Where, files: Files) -> Read:
    """What a reader finds in a file of the job; its SHA-256 goes into `files`."""
    try:
        file = read_file(path_in(folder, name))
        found = reader(file)
    except JobError as problem:
        raise JobError(f"{where}: {problem}") from None
    files[name] = file.sha256
    return found
