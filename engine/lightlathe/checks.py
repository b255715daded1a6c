"""Checks of arguments at public entry points: tensors (axes, dtype, device) and paths."""

import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import JobError, ShapeError, shown

LONGEST_PATH, LONGEST_NAME = 4096, 255  # bytes that Linux takes, of a path and of each name in it; Windows takes fewer
# control characters, and those that turn the direction of writing: a message that repeats them shows something else
STEERING = re.compile("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def has_axes(name: str, tensor: Any, axes: Sequence[str], shape: Sequence[int]) -> None:
    """Raise ShapeError unless `tensor` has exactly `shape`; `axes` names each axis in the message."""
    if not (isinstance(tensor, Tensor) or hasattr(tensor, "unpacked")):  # of a packed volume
        raise ShapeError(f"{name} is a {type(tensor).__name__}; expected a torch tensor.")
    if tuple(tensor.shape) == tuple(shape):
        return
    wanted = ", ".join(f"{axis}={size}" for axis, size in zip(axes, shape, strict=True))
    hint = ""
    if sorted(tensor.shape) == sorted(shape):
        hint = "\n  The sizes match in another order: are two axes swapped?"
    raise ShapeError(f"{name} has shape {tuple(tensor.shape)}; expected ({wanted}).{hint}")


def is_floating(name: str, tensor: Tensor, dtypes: Sequence[torch.dtype]) -> None:
    """Raise ShapeError unless the dtype is one of `dtypes`; nothing is converted silently."""
    if tensor.dtype not in dtypes:
        wanted = " or ".join(str(d).removeprefix("torch.") for d in dtypes)
        raise ShapeError(f"{name} has dtype {str(tensor.dtype).removeprefix('torch.')}; expected {wanted}.")


def is_on(name: str, tensor: Tensor, device: torch.device) -> None:
    """Raise ShapeError unless the tensor is on `device`; nothing is moved silently."""
    if tensor.device.type != device.type or (device.index is not None and tensor.device.index != device.index):
        raise ShapeError(f"{name} is on {tensor.device}; expected {device}. Move it with {name}.to('{device}').")


def path_in(folder: Path, name: str) -> Path:
    """A path that a file in `folder` names: relative to it, absolute, or in a home folder (`~/`, `~user/`).

    Raises JobError for what no path can be; whether anything is there is not looked at.
    """
    encoded = os.fsencode(name)
    if not name or STEERING.search(name):
        raise JobError(f"{shown(name)} is no path; expected the name of a file, without control characters.")
    if len(encoded) > LONGEST_PATH or any(len(part) > LONGEST_NAME for part in encoded.split(b"/")):
        raise JobError(
            f"the path {shown(name)} is too long; expected {LONGEST_PATH} bytes at most, {LONGEST_NAME} for each name."
        )
    try:
        return folder / Path(name).expanduser()
    except RuntimeError:
        raise JobError(f"the path {shown(name)} names a home folder that is not known here; write it out.") from None
