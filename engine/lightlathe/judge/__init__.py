"""How good a print is, how long to expose, and whether it can work at all."""

from lightlathe.judge.exposure import ExposurePlan, bracket, plan_exposure
from lightlathe.judge.quality import best_thresholds, light_use, quality
from lightlathe.judge.warnings import warnings

__all__ = ["ExposurePlan", "best_thresholds", "bracket", "light_use", "plan_exposure", "quality", "warnings"]
