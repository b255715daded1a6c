"""A ranking figure of the user's: a function of a run's figures, larger is better."""

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

from lightlathe.errors import JobError
from lightlathe.study.runs import Study
from lightlathe.support.own import OwnMember


class _Any(dict):
    """Figures for a trial: 0.5 under every name."""

    def __missing__(self, name: str) -> float:
        return 0.5

    def get(self, name: str, default: Any = None) -> Any:
        return self[name]


class OwnFigure(OwnMember):
    """A ranking figure from a user's file. A study file keeps its values, so showing the study runs nothing."""

    family, trial = "ranking figure", "on figures that are all 0.5"

    def __call__(self, figures: Mapping[str, float]) -> float:
        return self._number(self.load(), figures)

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives a number."""
        self._number(found, _Any())

    def _number(self, found: Any, figures: Mapping[str, float]) -> float:
        value = self.guarded(found)(figures)
        try:
            return math.nan if isinstance(value, bool | str) else float(value)
        except (TypeError, ValueError):
            raise JobError(f"{self.where}: gives {value!r}; expected a number, the larger the better.") from None


def with_figure(study: Study, figure: OwnFigure) -> Study:
    """The study, each of its runs with this figure beside the others, under the figure's name. Runs its file."""
    runs = [r if r.failed else dataclasses.replace(r, figures={**r.figures, figure.name: figure(r.figures)})
            for r in study.runs]  # fmt: skip
    return dataclasses.replace(study, runs=tuple(runs))
