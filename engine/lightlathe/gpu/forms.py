"""Registry of fused GPU forms and their plain references, by (loss or solver, kind). Look them up only here.

Each is a module with functions of the same names. They lie beside the family that they belong to.
"""

from collections.abc import Callable
from importlib import import_module
from types import ModuleType
from typing import Any, NamedTuple

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.gpu.fused import serve
from lightlathe.gpu.packed import LaidOut


class ValueAndGradient(NamedTuple):
    """A loss and its derivative by the dose, without autograd.

    value      scalar, as loss(dose, target)
    gradient   (x, y, z) its derivative; LaidOut where a workspace was given for that
    """

    value: Tensor
    gradient: Tensor | LaidOut


FORMS = {
    ("accelerated", "reference"): "lightlathe.solve.reference.accelerated",
    ("accelerated", "gpu"): "lightlathe.solve.gpu.accelerated",
    ("adam", "reference"): "lightlathe.solve.reference.adam",
    ("adam", "gpu"): "lightlathe.solve.gpu.adam",
    ("free_set", "reference"): "lightlathe.solve.reference.free_set",
    ("free_set", "gpu"): "lightlathe.solve.gpu.free_set",
    ("lbfgs", "reference"): "lightlathe.solve.reference.lbfgs",
    ("lbfgs", "gpu"): "lightlathe.solve.gpu.lbfgs",
    ("slicewise", "reference"): "lightlathe.solve.reference.slicewise",
    ("slicewise", "gpu"): "lightlathe.solve.gpu.slicewise",
    ("gap_hinge", "gpu"): "lightlathe.losses.gpu.gap_hinge",
    ("soft_window", "gpu"): "lightlathe.losses.gpu.soft_window",
}


def form_for(name: str, x: Tensor) -> ModuleType:
    """The module whose functions take x; KeyError where that kind has no form of its own."""
    return import_module(FORMS[name, "gpu" if serve(x) else "reference"])


def keep_if(flag: Tensor, new: Tensor, kept: Tensor) -> Tensor:
    """`new` where the 0-d bool `flag` is true, else `kept`; on a card `kept` may be written over."""
    if serve(new) and new.dtype == kept.dtype:
        from lightlathe.gpu.triton_helpers import keep_if

        return keep_if(flag, new, kept)
    return torch.where(flag, new, kept)


def value_and_gradient(
    loss: Callable[[Tensor, Any], Tensor], dose: Tensor, target: Any, workspace: LaidOut | None = None
) -> ValueAndGradient:
    """Value of any loss that torch can differentiate, and its derivative by the dose; fused where a loss names a form.

    workspace   where the derivative may be written in float16, if the form can
    """
    name = vars(type(loss)).get("fused")  # its own: a class that derives from a loss may mean another
    if name is not None and serve(dose):
        return form_for(name, dose).value_and_gradient(loss, dose, target, workspace)
    leaf = dose.detach().requires_grad_()
    value = loss(leaf, target)
    if not value.requires_grad:
        raise SolveError("the loss does not depend on the dose; expected a value computed from it by torch.")
    (gradient,) = torch.autograd.grad(value.sum(), leaf)  # one value, or one of each slice
    return ValueAndGradient(value.detach(), gradient)
