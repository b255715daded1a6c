"""How good a print is, how long to expose, and whether it can work at all."""

from lightlathe.judge.case import Case
from lightlathe.judge.cautions import CAUTIONS
from lightlathe.judge.check import check
from lightlathe.judge.exposure import ExposurePlan, bracket, plan_exposure
from lightlathe.judge.quality import best_thresholds, light_use, quality
from lightlathe.judge.verdict import Reason, Verdict
from lightlathe.judge.warnings import warnings

__all__ = [
    "CAUTIONS",
    "Case",
    "ExposurePlan",
    "Reason",
    "Verdict",
    "best_thresholds",
    "bracket",
    "check",
    "light_use",
    "plan_exposure",
    "quality",
    "warnings",
]
