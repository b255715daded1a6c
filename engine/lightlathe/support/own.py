"""A member of a family from a Python file of the user's own, named in a job as "file.py:name"."""

import types
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import torch

from lightlathe.errors import JobError, LightlatheError, brief, shown
from lightlathe.support.own_file import OwnFile

CONSENT = "Read it, then run it: Job.load() from Python; --run-own for a result."


class NotRun(JobError, AttributeError):
    """A member was used whose file has not been run."""


class OwnMember:
    """A member of a family from the user's own file; each family derives its own.

    Nothing is run before `load`, which is called where a job is made ready (`Job.load`). From then on it has the
    attributes of what it loaded; before, asking for one raises NotRun.
    """

    family = "member"  # in messages
    method = ""  # what a plain function stands for; nothing where members are functions
    makes = False  # whether a function makes the member instead of being it
    hidden: tuple[str, ...] = ()  # attributes that are not passed on

    def __init__(self, source: OwnFile, settings: dict[str, Any] | None = None) -> None:
        self.source, self.settings = source, dict(settings or {})
        self._loaded: Any = None

    @classmethod
    def named(cls, name: str, folder: Path, settings: dict[str, Any] | None = None) -> Self:
        """The member "file.py:name", file relative to `folder`: read here, not run. A class is made with `settings`.

        Raises JobError that names the file where there is none, or it is not Python, or does not define the name.
        """
        return cls(OwnFile.named(name, folder), settings)

    @property
    def name(self) -> str:
        """As in the job."""
        return self.source.name

    @property
    def where(self) -> str:
        """Family and name, for messages."""
        return f"{self.family} {shown(self.name)}"

    def load(self) -> Any:
        """What the file holds under the name; the first call runs the file and tries what it finds.

        Raises JobError: only load files that you trust.
        """
        if self._loaded is None:
            found = self.source.load(self.settings, self.makes)
            if self.method and callable(found) and not hasattr(found, self.method):
                found = types.SimpleNamespace(**{self.method: found})
            if self.method and not hasattr(found, self.method):
                raise JobError(f"{self.where}: has no {self.method}(...); expected it of a {self.family}.")
            try:
                self.try_out(found)
            except (LightlatheError, MemoryError):
                raise
            except Exception as problem:  # a user's code may raise anything
                raise self._failed(problem, f"fails when it is tried ({self.trial})") from problem
            self._loaded = found
        return self._loaded

    trial = "on a small case"

    def try_out(self, found: Any) -> None:
        """Raise JobError for what the family cannot use."""

    def as_job(self) -> str | dict[str, Any]:
        """What a job file says to get this member."""
        return {"kind": self.name, **self.settings} if self.settings else self.name

    def __str__(self) -> str:
        return self.name

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.name})"

    def __getstate__(self) -> dict[str, Any]:
        return {**vars(self), "_loaded": None}  # a copy, or another process, runs the file anew

    def __getattr__(self, attribute: str) -> Any:
        if attribute.startswith("_") or attribute in self.hidden:
            raise AttributeError(attribute)
        if self._loaded is None:
            why = f"{self.source.file} has not been run, which its {attribute} would take"
            raise NotRun(f"{self.where}: {why}. {CONSENT}")
        return self._guarded(attribute)

    def _guarded(self, attribute: str) -> Any:
        """An attribute of what was loaded; its errors become JobError."""
        try:
            value = getattr(self._loaded, attribute)
        except AttributeError:
            raise
        except Exception as problem:
            raise self._failed(problem, f"its {attribute} fails") from problem
        return self.guarded(value, f"{attribute} fails") if callable(value) else value

    def guarded(self, function: Callable[..., Any], fails: str = "fails") -> Callable[..., Any]:
        """The same function; what goes wrong in it is a JobError that names the member."""

        def call(*args: Any, **kwargs: Any) -> Any:
            try:
                return function(*args, **kwargs)
            except (LightlatheError, MemoryError, torch.OutOfMemoryError):
                raise  # told already, or not the file's fault
            except Exception as problem:
                raise self._failed(problem, fails) from problem

        return call

    def _failed(self, problem: Exception, fails: str) -> JobError:
        return JobError(f"{self.where}: {fails}: {type(problem).__name__}: {brief(str(problem))}")
