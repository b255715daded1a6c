"""What public doors ask of tensors: axes, dtype, device."""

from collections.abc import Sequence

import torch
from torch import Tensor

from lightlathe.errors import ShapeError


def has_axes(name: str, tensor: Tensor, axes: Sequence[str], shape: Sequence[int]) -> None:
    """Raise ShapeError unless `tensor` has exactly `shape`; `axes` names each axis in the message."""
    if not isinstance(tensor, Tensor):
        raise ShapeError(f"{name} is a {type(tensor).__name__}; expected a torch tensor.")
    if tuple(tensor.shape) == tuple(shape):
        return
    wanted = ", ".join(f"{axis}={size}" for axis, size in zip(axes, shape, strict=True))
    hint = ""
    if sorted(tensor.shape) == sorted(shape):
        hint = "\n  The sizes match in another order: are two axes swapped?"
    raise ShapeError(f"{name} has shape {tuple(tensor.shape)}; expected ({wanted}).{hint}")


def is_floating(name: str, tensor: Tensor, dtypes: Sequence[torch.dtype]) -> None:
    """Raise ShapeError unless the dtype is one of `dtypes`; nothing is converted in silence."""
    if tensor.dtype not in dtypes:
        wanted = " or ".join(str(d).removeprefix("torch.") for d in dtypes)
        raise ShapeError(f"{name} has dtype {str(tensor.dtype).removeprefix('torch.')}; expected {wanted}.")


def is_on(name: str, tensor: Tensor, device: torch.device) -> None:
    """Raise ShapeError unless the tensor is on `device`; nothing is moved in silence."""
    if tensor.device.type != device.type or (device.index is not None and tensor.device.index != device.index):
        raise ShapeError(f"{name} is on {tensor.device}; expected {device}. Move it with {name}.to('{device}').")
