"""A loss of the user's own, from a Python file that the job names as "file.py:name"."""

from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.quantities import Target
from lightlathe.support.own import OwnFile, OwnMember


class OwnLoss(OwnMember):
    """A loss from a user's file; behaves like the function or object it wraps, and is named as in the job.

    The file is run by `load`, or by the first call.
    """

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        loss = self.load()
        try:
            return loss(dose, target)
        except (MemoryError, torch.OutOfMemoryError):
            raise  # not the loss's fault
        except Exception as problem:  # a user's code may raise anything
            raise JobError(f"loss '{self.name}': fails: {type(problem).__name__}: {problem}") from problem

    def __getattr__(self, attribute: str) -> Any:
        if attribute == "stage":  # a staged loss of one's own
            return getattr(self.load(), "stage")  # noqa: B009
        raise AttributeError(attribute)

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives a scalar that hangs on the dose, tried on two voxels."""
        where = f"loss '{self.name}'"
        solid = torch.tensor([[[True]], [[False]]])
        dose = torch.tensor([[[0.8]], [[0.7]]], dtype=torch.float64, requires_grad=True)
        try:
            value = found(dose, Target(solid=solid, liquid=~solid))
        except Exception as problem:
            raise JobError(f"{where}: fails on two voxels: {type(problem).__name__}: {problem}") from problem
        if not isinstance(value, Tensor) or value.ndim != 0:
            shape = tuple(value.shape) if isinstance(value, Tensor) else type(value).__name__
            raise JobError(f"{where}: gives {shape}; expected a scalar torch tensor.")
        if not value.requires_grad:
            raise JobError(f"{where}: its value does not depend on the dose; compute it from `dose` with torch alone.")
        if not bool(torch.isfinite(value)):
            raise JobError(
                f"{where}: is {float(value.detach())} on two voxels with doses 0.8 and 0.7; expected a finite number."
            )


def own_loss(name: str, folder: Path, settings: dict[str, Any] | None = None) -> OwnLoss:
    """The loss "file.py:name", file relative to `folder` (the job file's). The file is read here and not yet run.

    `name` is a function loss(dose, target) -> scalar tensor, or a class whose instances are such functions; a class is
    made with `settings` as its arguments. See losses/__init__.py for what dose and target are. `load` runs the file
    and tries the loss on two voxels, before any long work: only load files that you trust.
    Raises JobError that names the file where there is none, or it is not Python, or does not define the name.
    """
    return OwnLoss(OwnFile.named(name, folder), dict(settings or {}))
