"""Losses and penalties of the user's own, from a Python file that the job names as "file.py:name"."""

from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.quantities import Target
from lightlathe.support.own import OwnMember


class OwnLoss(OwnMember):
    """A loss from a user's file; behaves like the function or object it wraps, and is named as in the job.

    The file is run by `load`, or by the first call.
    """

    family, trial = "loss", "on two voxels"
    hidden = ("each_slice",)  # a class that derives from a loss of ours may inherit forms it does not mean

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        return self.guarded(self.load())(dose, target)

    def __getattr__(self, attribute: str) -> Any:
        if attribute == "stage":  # a staged loss of one's own
            self.load()
        return super().__getattr__(attribute)

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives a scalar that depends on the dose, tried on two voxels."""
        solid = torch.tensor([[[True]], [[False]]])
        dose = torch.tensor([[[0.8]], [[0.7]]], dtype=torch.float64, requires_grad=True)
        value = self.guarded(found, "fails on two voxels")(dose, Target(solid=solid, liquid=~solid))
        require_scalar(self.where, value, "dose", "on two voxels with doses 0.8 and 0.7")


class OwnPenalty(OwnMember):
    """A penalty on the patterns from a user's file."""

    family, trial = "penalty", "on patterns of 2 x 3 x 2"

    def __call__(self, patterns: Tensor) -> Tensor:
        return self.guarded(self.load())(patterns)

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives a scalar that depends on the patterns."""
        patterns = torch.linspace(0.1, 1.2, 12, dtype=torch.float64).reshape(2, 3, 2).requires_grad_()
        require_scalar(self.where, self.guarded(found)(patterns), "patterns", self.trial)


def require_scalar(where: str, value: Any, of: str, tried: str) -> None:
    """JobError unless `value` is a finite scalar tensor that depends on what it was made of."""
    if not isinstance(value, Tensor) or value.ndim != 0:
        shape = tuple(value.shape) if isinstance(value, Tensor) else type(value).__name__
        raise JobError(f"{where}: gives {shape}; expected a scalar torch tensor.")
    if not value.requires_grad:
        raise JobError(f"{where}: its value does not depend on the {of}; compute it from `{of}` with torch alone.")
    if not bool(torch.isfinite(value)):
        raise JobError(f"{where}: is {float(value.detach())} {tried}; expected a finite number.")
