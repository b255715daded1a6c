"""The state of an unfinished design, from which it can be resumed."""

import json
import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import torch

from lightlathe.errors import ResultError
from lightlathe.quantities import Packed
from lightlathe.result.checksums import content
from lightlathe.result.chunks import SMALL
from lightlathe.result.hdf5 import log_in, put_job, put_log
from lightlathe.result.put import put
from lightlathe.result.storage import FORMAT_VERSION, opened, whole_file
from lightlathe.result.tree import Node
from lightlathe.support.files import STATE

FORMAT = STATE
STATE_VERSION = 13  # of what solvers keep and of what a job designs: to be raised whenever either changes
PAYS = 0.5  # what packs to more is written as it is: a state is read once or never, and noise packs slowly
PIECE = 1 << 24  # bytes of a state that are written to see how long all of it takes
NOTES = "notes"  # a table of settings that may differ when a design is resumed: nothing is computed from it
EQUAL = "equal_to"  # in place of a tensor: the path, below /state, of one with the same type, shape and values


def partial_path(result: Path) -> Path:
    """Where the state of an unfinished design of `result` lies."""
    name = result.name.removesuffix(".h5")
    return result.with_name(f"{name}.partial.h5")


def write_partial(path: Path, toml: str, settings: dict[str, Any], state: dict[str, Any], log: dict) -> None:
    """Write the state; tensors become datasets of /state, plain values its attributes, dicts groups inside it."""
    with whole_file(path, FORMAT) as file:
        file.attrs.update({"format": FORMAT, "format_version": FORMAT_VERSION, "state_version": STATE_VERSION})
        put_job(file, toml, settings)
        _put_state(file.create_group("state"), state, {})
        put_log(file, log)


def state_bytes(state: dict[str, Any]) -> int:
    """Bytes of the tensors of a state, each memory counted once."""
    return sum({value.data_ptr(): value.nbytes for value in _tensors(state)}.values())


def seconds_to_write(path: Path, state: dict[str, Any]) -> float:
    """About how long `write_partial` of a state takes: a PIECE of it, and nothing, are written beside `path`, timed and
    removed. ResultError as there."""
    share = min(1.0, PIECE / max(1, state_bytes(state)))
    probe, took = path.with_name(f".{path.name}.probe"), []
    for piece in ({}, _piece(state, share)):
        began = time.perf_counter()
        with whole_file(probe, FORMAT) as file:
            _put_state(file.create_group("state"), piece, {})
        took.append(time.perf_counter() - began)
        probe.unlink(missing_ok=True)
    return took[0] + max(took[1] - took[0], 0.0) / share


def _piece(state: dict[str, Any], share: float) -> dict[str, Any]:
    """The middle of every tensor of a state, about that share of it."""
    cut = {}
    for name, value in state.items():
        if isinstance(value, dict):
            cut[name] = _piece(value, share)
        elif isinstance(value, torch.Tensor) and value.ndim:
            axis = max(range(value.ndim), key=lambda n: value.shape[n])
            kept = math.ceil(share * value.shape[axis])
            cut[name] = value.narrow(axis, (value.shape[axis] - kept) // 2, kept)
    return cut


def _tensors(state: dict[str, Any]) -> Iterator[torch.Tensor]:
    for value in state.values():
        if isinstance(value, dict):
            yield from _tensors(value)
        elif isinstance(value, torch.Tensor):
            yield value


def _put_state(group: Any, state: dict[str, Any], places: dict[tuple[Any, ...], str]) -> None:
    """`places` says where large tensors lie that are written already, by content: equal ones are written once."""
    for name, value in state.items():
        if isinstance(value, dict):
            _put_state(group.create_group(name), value, places)
        elif isinstance(value, torch.Tensor):
            values = value.detach().cpu().numpy()
            sha256 = content(values)
            known = (values.dtype.str, values.shape, sha256)
            if values.size > SMALL and known in places:
                group.attrs[name] = json.dumps({EQUAL: places[known]})
                continue
            axes = tuple(f"axis{n}" for n in range(value.ndim))
            put(group, name, values, "1", axes, pays=PAYS, sha256=sha256)
            places[known] = f"{group.name}/{name}".removeprefix("/state/")
        else:
            group.attrs[name] = json.dumps(value)


def _state_in(node: Node, root: Node) -> dict[str, Any]:
    """`root` is the whole state; every tensor has memory of its own, since solvers write in place."""
    inner = {
        name: torch.from_numpy(_array(child.value)) if child.dtype else _state_in(child, root)
        for name, child in node.children.items()
    }
    for name in node.attrs:
        value = json.loads(node.attribute(name, str))
        inner[name] = _equal(root, value[EQUAL]) if isinstance(value, dict) else value
    return inner


def _equal(root: Node, path: str) -> torch.Tensor:
    values = root[path].value
    if not isinstance(values, np.ndarray | Packed):
        raise TypeError(f"state/{path} is no array")
    return torch.from_numpy(_array(values).copy())


def _array(values: Any) -> np.ndarray:
    return values.numpy() if isinstance(values, Packed) else np.asarray(values)


def read_partial(path: Path, settings: dict[str, Any]) -> tuple[dict[str, Any], dict[str, list[float]]]:
    """State and log of an unfinished design; ResultError where it belongs to other settings."""
    if not path.exists():
        raise ResultError(f"{path}: no such file, so no unfinished design to go on from. Design without --resume.")
    with opened(path, FORMAT) as root:
        version = root.attrs.get("state_version", 1)
        if version != STATE_VERSION:
            raise ResultError(
                f"{path}: the unfinished design was written by another version of Lightlathe (state {version}; "
                f"expected {STATE_VERSION}). Go on with that version, or design anew with --force."
            )
        was = root.table("job/resolved")
        differ = [t for t in settings if t != NOTES and _comparable(was.get(t)) != _comparable(settings[t])]
        if differ:
            raise ResultError(
                f"{path}: the unfinished design was made with {_changed(differ, was, settings)}; "
                "expected the same job. Undo the change, or design anew with --force."
            )
        return _state_in(root["state"], root["state"]), log_in(root)


def _changed(differ: list[str], was: dict[str, Any], now: dict[str, Any]) -> str:
    """The tables of settings that differ, and the files, of which settings hold checksums."""
    before, files = was.get("files"), now.get("files")
    other: list[str] = []
    if isinstance(files, dict) and isinstance(before, dict):
        other = sorted(name for name in files if before.get(name) != files[name])
    tables = [f"[{table}]" for table in differ if table != "files" or not other]
    said = [f"other settings in {', '.join(tables)}"] if tables else []
    return " and ".join([*said, *(f"another content of {name}" for name in other)])


def _comparable(table: Any) -> Any:
    """A table of settings without those that may differ when a design is resumed."""
    if not isinstance(table, dict):
        return table
    return {k: v for k, v in json.loads(json.dumps(table)).items() if k not in ("iterations", "result")}
