"""A loss of the user's own, from a Python file that the job names as "file.py:name"."""

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.quantities import Target


def is_own(name: str) -> bool:
    """Whether a job's loss names a Python file rather than a member of LOSSES."""
    return ".py:" in name


class OwnLoss:
    """A loss from a user's file; behaves like the function or object it wraps, and is named as in the job."""

    def __init__(self, name: str, settings: dict[str, Any], loss: Callable[[Tensor, Target], Tensor]) -> None:
        self.name, self.settings, self.loss = name, settings, loss

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        try:
            return self.loss(dose, target)
        except (MemoryError, torch.OutOfMemoryError):
            raise  # not the loss's fault
        except Exception as problem:  # a user's code may raise anything
            raise JobError(f"loss '{self.name}': fails: {type(problem).__name__}: {problem}") from problem

    def __getattr__(self, attribute: str) -> Any:
        if attribute == "stage":  # a staged loss of one's own
            return getattr(self.loss, "stage")  # noqa: B009
        raise AttributeError(attribute)

    def as_job(self) -> str | dict[str, Any]:
        """What a job file says to get this loss."""
        return {"kind": self.name, **self.settings} if self.settings else self.name

    def __str__(self) -> str:
        return self.name


def own_loss(name: str, folder: Path, settings: dict[str, Any] | None = None) -> OwnLoss:
    """The loss "file.py:name", file relative to `folder` (the job file's).

    `name` is a function loss(dose, target) -> scalar tensor, or a class whose instances are such functions; a class is
    made with `settings` as its arguments. See losses/__init__.py for what dose and target are. The file is run: only
    use files that you trust. The loss is tried on two voxels before any long work starts.
    Raises JobError that names the file, for whatever goes wrong in it.
    """
    path, _, attribute = name.rpartition(":")
    file = (folder / path).resolve()
    where = f"loss '{name}'"
    if not file.is_file():
        raise JobError(f"{where}: there is no file {file}; paths are relative to the job file.")
    spec = importlib.util.spec_from_file_location(f"lightlathe_own_{file.stem}", file)
    assert spec is not None  # the name ends in .py
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # a dataclass looks its module up there
    try:
        spec.loader.exec_module(module)
    except Exception as problem:
        raise JobError(f"{where}: {file} does not run: {type(problem).__name__}: {problem}") from problem
    found = getattr(module, attribute, None)
    if not callable(found):
        known = ", ".join(
            n for n, v in vars(module).items() if callable(v) and getattr(v, "__module__", "") == module.__name__
        )
        raise JobError(f"{where}: {file} has no function or class '{attribute}'. It has: {known or 'none'}.")
    if isinstance(found, type):
        try:
            found = found(**(settings or {}))
        except Exception as problem:
            raise JobError(
                f"{where}: {attribute}({settings or ''}) fails: {type(problem).__name__}: {problem}"
            ) from problem
    elif settings:
        raise JobError(f"{where}: '{attribute}' is a function and takes no settings; got {', '.join(settings)}.")
    loss: Any = found
    _try(where, loss)
    return OwnLoss(name, dict(settings or {}), loss)


def _try(where: str, loss: Callable[[Tensor, Target], Tensor]) -> None:
    solid = torch.tensor([[[True]], [[False]]])
    dose = torch.tensor([[[0.8]], [[0.7]]], dtype=torch.float64, requires_grad=True)
    try:
        value = loss(dose, Target(solid=solid, liquid=~solid))
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
