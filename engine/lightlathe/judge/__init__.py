"""How good a print is, how long to expose, and whether it can work at all."""

from lightlathe.judge.bracket import bracket
from lightlathe.judge.cautions import CAUTIONS, assumptions
from lightlathe.judge.exposure_plan import ExposurePlan, plan_exposure
from lightlathe.judge.margins import is_steady, with_margins_of
from lightlathe.judge.next_exposure import NextExposure
from lightlathe.judge.outcome import outcome_of
from lightlathe.judge.quality import best_thresholds, graded, light_use, quality, quality_of
from lightlathe.judge.right_ranges import between
from lightlathe.judge.seen import read_came_out
from lightlathe.judge.spread import spread
from lightlathe.judge.verdict import STOPS, Reason, Verdict

__all__ = [
    "CAUTIONS", "STOPS", "ExposurePlan", "NextExposure", "Reason", "Verdict", "assumptions", "best_thresholds",
    "between", "bracket", "graded", "is_steady", "light_use", "outcome_of",
    "plan_exposure", "quality", "quality_of", "read_came_out", "spread", "with_margins_of",
]  # fmt: skip
