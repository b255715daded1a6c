"""What the solvers do to arrays as large as the patterns, each function a pass or two over them.

FORMS has the modules of functions of each solver: the plain one, which says what they do, and its equal for GPUs.
Decisions are taken between the passes, on 0-d tensors that stay where the patterns are.
"""

from importlib import import_module
from types import ModuleType

import torch
from torch import Tensor

from lightlathe.gpu.fused import serve

FORMS = {
    ("accelerated", "reference"): "lightlathe.solve.reference.accelerated",
    ("accelerated", "gpu"): "lightlathe.solve.gpu.accelerated",
    ("adam", "reference"): "lightlathe.solve.reference.adam",
    ("adam", "gpu"): "lightlathe.solve.gpu.adam",
    ("free_set", "reference"): "lightlathe.solve.reference.free_set",
    ("free_set", "gpu"): "lightlathe.solve.gpu.free_set",
    ("lbfgs", "reference"): "lightlathe.solve.reference.lbfgs",
    ("lbfgs", "gpu"): "lightlathe.solve.gpu.lbfgs",
}


def passes_for(solver: str, x: Tensor) -> ModuleType:
    """The module of FORMS whose functions take x."""
    return import_module(FORMS[solver, "gpu" if serve(x) else "reference"])


def keep_if(flag: Tensor, new: Tensor, kept: Tensor) -> Tensor:
    """`new` where the 0-d bool `flag` is true, else `kept`; on a card `kept` may be written over."""
    if serve(new) and new.dtype == kept.dtype:
        from lightlathe.gpu.triton_helpers import keep_if

        return keep_if(flag, new, kept)
    return torch.where(flag, new, kept)
