"""How good a print is, how long to expose, and whether it can work at all."""

from lightlathe.judge.assumptions import assumptions
from lightlathe.judge.bracket import Series, bracket
from lightlathe.judge.came_out import CameOut, NextExposure, next_exposure, read_came_out
from lightlathe.judge.cautions import CAUTIONS
from lightlathe.judge.exposure_plan import ExposurePlan, between, is_steady, plan_exposure, with_margins_of
from lightlathe.judge.outcome import Outcome, outcome_of
from lightlathe.judge.quality import best_thresholds, graded, light_use, quality
from lightlathe.judge.spread import Spread, spread
from lightlathe.judge.verdict import STOPS, Reason, Verdict

__all__ = [
    "CAUTIONS",
    "STOPS",
    "CameOut",
    "ExposurePlan",
    "NextExposure",
    "Outcome",
    "Reason",
    "Series",
    "Spread",
    "Verdict",
    "assumptions",
    "best_thresholds",
    "between",
    "bracket",
    "graded",
    "is_steady",
    "light_use",
    "next_exposure",
    "outcome_of",
    "plan_exposure",
    "quality",
    "read_came_out",
    "spread",
    "with_margins_of",
]
