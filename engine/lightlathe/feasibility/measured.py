"""Speeds that `lightlathe bench` measured: of this machine, kept for the check in the user's cache folder."""

import contextlib
import json
import math
import os
from pathlib import Path
from typing import Any

import torch

from lightlathe.support.files import BENCH
from lightlathe.support.hardware import kept_file

Speeds = tuple[tuple[float, float], ...]  # (updates of an iteration, updates per second), growing in the first


def speeds_in(bench: dict[str, Any]) -> Speeds:
    """Of whole iterations in a bench's result, two products of voxels times angles each, in the precision that designs
    take where nothing else is said. KeyError, TypeError and the like where it is no such result."""
    rows = [row for row in bench["rows"] if row.get("iteration_s") is not None]
    rows = [row for row in rows if row["precision"] == "half"] or rows
    sizes = [(2.0 * row["voxels"] ** 3 * row["angles"], float(row["iteration_s"])) for row in rows]
    found = sorted((updates, updates / seconds) for updates, seconds in sizes)
    if not all(0 < number < math.inf for pair in found for number in pair):
        raise ValueError("a size or time that is not above 0")
    return tuple(found)


def keep(bench: dict[str, Any], device: torch.device) -> Path | None:
    """Keep the speeds of this machine for the check; the file, or None where the cache folder takes none."""
    path = kept_file("speed", device)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.writing")
    kept = {name: bench[name] for name in ("format", "format_version", "created_utc", "program_version", "rows")}
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        unfinished.write_text(json.dumps(kept, indent=1), encoding="utf-8")
        os.replace(unfinished, path)
        return path
    return None


def kept_speeds(device: torch.device) -> Speeds:
    """What was kept of a machine of this model; none where nothing was, or nothing that can be read."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError, ZeroDivisionError):
        found = json.loads(kept_file("speed", device).read_text(encoding="utf-8"))
        if found["format"] == BENCH:
            return speeds_in(found)
    return ()
