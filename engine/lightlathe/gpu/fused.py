"""Functions in Triton that read and write large arrays once, where plain torch passes over them many times.

Each has an equal in plain torch beside it, which runs wherever these do not, and tests hold the two together.
"""

import logging
import os
from functools import lru_cache

import torch
from torch import Tensor

log = logging.getLogger(__name__)


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
