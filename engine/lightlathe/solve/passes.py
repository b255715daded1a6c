"""What the solvers do to arrays as large as the patterns, each function a pass or two over them.

`passes_for(solver, x)` gives the module of a solver's functions that serves x: the plain one, which says what they do,
or its equal in Triton. Decisions are taken between the passes, on 0-d tensors that stay where the patterns are.
"""

from importlib import import_module
from types import ModuleType

import torch
from torch import Tensor

from lightlathe.one_pass import serve


def passes_for(solver: str, x: Tensor) -> ModuleType:
    """solve/<solver>_passes.py, or solve/<solver>_triton.py where one_pass.serve says so."""
    return import_module(f"lightlathe.solve.{solver}_{'triton' if serve(x) else 'passes'}")


def keep_if(flag: Tensor, new: Tensor, kept: Tensor) -> Tensor:
    """`new` where the 0-d bool `flag` is true, else `kept`; on a card `kept` may be written over."""
    if serve(new) and new.dtype == kept.dtype:
        from lightlathe.one_pass_triton import keep_if

        return keep_if(flag, new, kept)
    return torch.where(flag, new, kept)
