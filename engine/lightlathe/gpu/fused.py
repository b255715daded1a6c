"""Functions in Triton that read and write large arrays once, where plain torch passes over them many times.

Each has an equal in plain torch beside it, which runs wherever these do not, and tests hold the two together.
"""

import logging
import os
from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.gpu.packed import LaidOut

log = logging.getLogger(__name__)


class AtOnce(NamedTuple):
    """A loss and its derivative by the dose, without autograd.

    value   scalar, as loss(dose, target)
    slope   (x, y, z) its derivative; LaidOut where the loss was given room for that
    """

    value: Tensor
    slope: Tensor | LaidOut


def serve(x: Tensor) -> bool:
    """True where functions in Triton take x; the choice is logged once. TRITON_INTERPRET=1 lets them run on the CPU."""
    return why_not(x.device.type, x.dtype, os.environ.get("TRITON_INTERPRET") == "1") is None


@lru_cache
def why_not(device: str, dtype: torch.dtype, interpreted: bool = False) -> str | None:
    """None where functions in Triton run, else the reason they do not."""
    reason = None
    if device != "cuda" and not (device == "cpu" and interpreted):
        reason = f"they run on cards, not on {device}"
    elif dtype != torch.float32:
        reason = f"they compute in float32, not {dtype}"
    else:
        try:
            import triton  # noqa: F401
        except ImportError:
            reason = "triton is not installed; pip install 'triton>=3.5' (Linux; the extra 'gpu')"
    if reason is None:
        log.info("losses, figures and steps on %s: in one pass each", device)
    else:
        log.info("losses, figures and steps on %s: plain torch; functions of one pass passed over: %s", device, reason)
    return reason


def value_and_slope(
    loss: Callable[[Tensor, Any], Tensor], dose: Tensor, target: Any, room: LaidOut | None = None
) -> AtOnce:
    """Value of any loss that torch can differentiate, and its derivative by the dose; at once where the loss can.

    room   where the derivative may be left in halves, if the loss is of that kind
    """
    at_once = getattr(loss, "at_once", None)
    if at_once is not None and serve(dose):
        return at_once(dose, target) if room is None else at_once(dose, target, room)
    leaf = dose.detach().requires_grad_()
    value = loss(leaf, target)
    if not value.requires_grad:
        raise SolveError("the loss does not depend on the dose; expected a value computed from it by torch.")
    (slope,) = torch.autograd.grad(value.sum(), leaf)  # one value, or one of each slice
    return AtOnce(value.detach(), slope)
