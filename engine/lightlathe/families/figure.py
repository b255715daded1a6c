"""A figure by which the designs of a study are ranked."""

from collections.abc import Mapping
from typing import Protocol


class Figure(Protocol):
    def __call__(self, figures: Mapping[str, float], /) -> float:
        """Larger is better; `figures` are those of one run, by name (study/run.py). NaN comes last."""
        ...
