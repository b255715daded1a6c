"""The outcome of a predicted print as a word and an exit code: prints, marginal, or does not print.

All limits are here; `lightlathe help verdicts` states them for users (tests/judge/test_outcome.py compares both).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from lightlathe.judge.verdict import EXIT_CODES

MARGIN_PERCENT = 2.0  # lamps drift and timers round by about as much (common practice, no source)
NO_PRINT = 0.7  # overlap below which it is not the part: some third of the volume is wrong (no source)
AGREES = 0.95  # overlap on the finer grid below which the shape is not the part's (no source)
GRADED_TO = 0.15  # of the gel dose: a tenth of the doses further off than this is no graded part (no source)


@dataclass(frozen=True)
class Outcome:
    """The outcome of a print.

    level     prints: every voxel right, with a margin, and the true shape met. marginal: less than that.
              does not print: it is not the part
    reasons   why it is not the first, in words; the same figures as in the warnings
    """

    level: Literal["prints", "marginal", "does not print"]
    reasons: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 prints, 3 marginal, 4 does not print: those of the check."""
        return EXIT_CODES[{"prints": "will work", "marginal": "marginal", "does not print": "cannot work"}[self.level]]

    def text(self) -> str:
        return f"{self.level}: {'; '.join(self.reasons)} (exit code {self.exit_code})"


def outcome_of(quality: Mapping[str, float]) -> Outcome:
    """The outcome that the figures of a design or prediction give.

    quality   as from `judge.quality`; `_fine` figures, and those of the exposure plan, count where they are there
    """
    fine = "iou_fine" in quality
    overlap = quality["iou_fine" if fine else "iou"]
    where = "the finer grid" if fine else "the job's grid"
    if not overlap >= NO_PRINT:
        share = "nothing" if math.isnan(overlap) else f"{_percent(overlap)} %"
        why = f"print and part overlap by {share} on {where}, less than {100 * NO_PRINT:.0f} %"
        return Outcome("does not print", (why,))
    reasons, wrong = [], int(quality["wrong_voxels"])
    if wrong:
        reasons.append(f"{wrong} {'voxel comes' if wrong == 1 else 'voxels come'} out wrong on the job's grid")
    if fine and overlap < AGREES:
        reasons.append(f"print and part overlap by {_percent(overlap)} % on {where}, less than {100 * AGREES:.0f} %")
    if not wrong and (quality["unsure_part_fraction"] > 0 or quality["unsure_liquid_fraction"] > 0):
        reasons.append("some doses lie between liquid_below and solid_above, where the resin may do either")
    if not quality.get("reachable", 1.0):
        reasons.append("it takes a longer exposure than the longest allowed (max_exposure_s)")
    if not wrong and "shorter_percent" in quality:
        margin = min(quality["shorter_percent"], quality["longer_percent"])
        if not margin >= MARGIN_PERCENT:
            known = "no exposure is right" if math.isnan(margin) else f"the exposure may be off by {margin:.1f} % only"
            reasons.append(f"{known}, and {MARGIN_PERCENT:g} % is what lamps and timers keep")
    if quality.get("wanted_dose_90", 0.0) > GRADED_TO:
        reasons.append(f"a tenth of the part is further than {GRADED_TO:g} gel doses from the dose it wants")
    return Outcome("marginal", tuple(reasons)) if reasons else Outcome("prints")


def _percent(share: float) -> str:
    """To a tenth of a percent, rounded down: 69.99 % is less than 70 %."""
    return f"{math.floor(1000 * share) / 10:g}"
