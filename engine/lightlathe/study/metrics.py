"""Metrics of a study: figures by name, and the user's own functions of a record, "file.py:name"."""

import difflib
import math
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from lightlathe import pipeline
from lightlathe.errors import JobError, LightlatheError, shown
from lightlathe.result.record import Record
from lightlathe.support.own import OwnMember
from lightlathe.support.own_file import is_own

SUFFIXES = ("", "_fine", "_fine_judged", "_whole")  # of figures on other grids: see flow/prediction.py
OF_A_RUN = (  # what study/run.py adds, and what only some designs have
    "seconds", "cpu_seconds", "iterations", "iterations_to_none_wrong", "light_mj", "window_proven_at_most",
    "window_gap", "window_binding_slice_z_mm", "window_binding_part_x_mm", "window_binding_part_y_mm",
    "window_binding_surroundings_x_mm", "window_binding_surroundings_y_mm", "window_binding_surroundings_z_mm",
    "wanted_dose_rms", "wanted_dose_90", "window_all_scenarios_robust",
    "window_all_scenarios_plain", "window_no_scenario_robust", "window_no_scenario_plain",
)  # fmt: skip
SMALL_JOB: dict[str, Any] = {
    "part": {"shape": {"kind": "cylinder", "radius_mm": 1.5, "height_mm": 1.0}},
    "vial": {"inner_diameter_mm": 8, "resin_height_mm": 8},
    "resin": {"absorption_per_mm": 0.1, "liquid_below_mj_cm3": 40, "solid_above_mj_cm3": 44},
    "light": {"pixel_mm": 0.5, "columns": 16, "rows": 6, "irradiance_mw_cm2": 20},
    "turn": {"angles": 24, "seconds_per_turn": 10, "motion": "stepped"},
    "grid": {"voxel_mm": 0.5},
    "design": {"iterations": 2, "bound_iterations": 0, "rounding_iterations": 0},
}


@cache
def small_record() -> Record:
    """A design of two iterations, on which metrics are tried."""
    return pipeline.design(SMALL_JOB)


class OwnMetric(OwnMember):
    """A metric from a user's file: a function of a `Record` that gives a number, the larger the better."""

    family, trial = "metric", "on a small design"

    def __call__(self, record: Record) -> float:
        return self._number(self.load(), record)

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives a number."""
        self._number(found, small_record())

    def _number(self, found: Any, record: Record) -> float:
        value = self.guarded(found)(record)
        try:
            return math.nan if isinstance(value, bool | str) else float(value)
        except (TypeError, ValueError):
            raise JobError(f"{self.where}: gives {value!r}; expected a number.") from None


def own_metrics(metrics: Sequence[str]) -> list[OwnMetric]:
    """The user's own among the metrics of a plan, whose paths are absolute; not run."""
    return [OwnMetric.named(name, Path()) for name in metrics if is_own(name)]


def known_figures() -> set[str]:
    """The names of all figures that a run may have."""
    bases = {re.sub("(_fine|_fine_judged|_whole)$", "", name) for name in small_record().quality}
    return {base + suffix for base in bases for suffix in SUFFIXES} | set(OF_A_RUN)


def require_known(metrics: Sequence[str]) -> None:
    """JobError for a name that no figure has."""
    names = [name for name in metrics if not is_own(name)]
    if not names:
        return
    known = known_figures()
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            raise JobError(
                f"metrics in [study]: there is no figure {shown(name)}.{hint} Expected one of those that a result "
                "holds "
                "under /quality, or a function of yours of the record, file.py:name."
            )


def measured(metrics: Sequence[OwnMetric], record: Record) -> tuple[dict[str, float], str]:
    """The values of the user's own metrics by name, NaN where one fails, and the first failure in words."""
    values, failed = {}, ""
    for metric in metrics:
        try:
            values[metric.name] = metric(record)
        except LightlatheError as problem:
            values[metric.name], failed = math.nan, failed or str(problem)
    return values, failed
