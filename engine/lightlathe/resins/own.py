"""A resin of the user's: a class that meets families/resin.py."""

import dataclasses
import math
from typing import Any, TypeVar

import torch

from lightlathe.errors import JobError
from lightlathe.resins.liquid import Liquid
from lightlathe.support.own import CONSENT, NotRun, OwnMember

MAY_MISS = {f.name: f.default for f in dataclasses.fields(Liquid)}
DOSES = ("liquid_below_mj_cm3", "gel_mj_cm3", "solid_above_mj_cm3")
Any_Resin = TypeVar("Any_Resin")


class OwnResin(OwnMember):
    """A resin from a user's file. What `Liquid` lists may be missing: it then has Liquid's defaults."""

    family, trial = "resin", "for exposures of 10 s and 100 s"

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` has all that is asked of a resin, now and at an exposure."""
        self._require(found)
        if not callable(getattr(found, "at", None)):
            raise JobError(f"{self.where}: has no at(exposure_s); expected it to give the resin at that exposure.")
        for seconds in (10.0, 100.0):
            self._require(found.at(seconds), f" at {seconds:g} s")

    def _require(self, found: Any, when: str = "") -> None:
        for name in ("absorption_per_mm", *DOSES):
            value = getattr(found, name, None)
            if not isinstance(value, int | float) or not math.isfinite(value):
                raise JobError(f"{self.where}: {name}{when} is {value!r}; expected a finite number.")
        low, gel, high = (getattr(found, name) for name in DOSES)
        if not (found.absorption_per_mm > 0 and 0 <= low <= gel <= high and high > 0):
            raise JobError(
                f"{self.where}: absorption {found.absorption_per_mm:g} 1/mm, liquid below {low:g}, gel dose {gel:g}, "
                f"solid above {high:g} mJ/cm3{when}; expected an absorption above 0 and doses in this order."
            )
        if not callable(getattr(found, "solid", None)):
            raise JobError(f"{self.where}: has no solid(dose){when}; expected what turns solid, a bool tensor.")
        dose = torch.tensor([[0.0, 2.0 * high]])
        solid = found.solid(dose)
        if not isinstance(solid, torch.Tensor) or solid.dtype != torch.bool or solid.shape != dose.shape:
            raise JobError(f"{self.where}: solid(dose){when} gives {solid!r}; expected a bool tensor, dose's shape.")
        if solid.tolist() != [[False, True]]:
            raise JobError(
                f"{self.where}: solid(dose){when} is {solid.tolist()[0]} for 0 and {2 * high:g} mJ/cm3; expected "
                "liquid and solid."
            )

    def at(self, exposure_s: float) -> "OwnResin":
        """The resin as it is when the dose comes over `exposure_s`; equal where that does not matter."""
        if self._loaded is None:
            raise NotRun(f"{self.where}: {self.source.file} has not been run, which its doses would take. {CONSENT}")
        return self._holding(self._guarded("at")(exposure_s))

    def absorbing(self, absorption_per_mm: float) -> "OwnResin":
        """The same with another absorption, where it is a dataclass with that field; else JobError."""
        try:
            return self._holding(dataclasses.replace(self._loaded, absorption_per_mm=absorption_per_mm))
        except Exception as problem:
            raise JobError(
                f"{self.where}: takes no other absorption ({problem}); expected a dataclass with the field "
                "absorption_per_mm."
            ) from None

    def _holding(self, found: Any) -> "OwnResin":
        other = type(self)(self.source, self.settings)
        other._loaded = found
        return other

    def __getattr__(self, attribute: str) -> Any:
        try:
            return super().__getattr__(attribute)
        except NotRun:
            raise
        except AttributeError:
            if attribute in MAY_MISS:
                return MAY_MISS[attribute]
            raise

    def __eq__(self, other: object) -> bool:
        return self is other or (
            isinstance(other, OwnResin) and self._loaded is not None and bool(self._loaded == other._loaded)
        )

    __hash__ = object.__hash__

    def as_job(self) -> dict[str, Any]:
        return {"kind": self.name, **self.settings}


def absorbing(resin: Any_Resin, absorption_per_mm: float) -> Any_Resin:
    """The same resin with another absorption. Raises JobError for one that cannot have it."""
    if isinstance(resin, OwnResin):
        return resin.absorbing(absorption_per_mm)  # type: ignore[return-value]
    return dataclasses.replace(resin, absorption_per_mm=absorption_per_mm)  # type: ignore[type-var]
