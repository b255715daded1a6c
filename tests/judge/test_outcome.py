"""Whether a print prints, from its figures alone: each limit by itself, just inside and just beyond."""

import math

import pytest

from lightlathe.cli.help import topics
from lightlathe.judge import outcome_of
from lightlathe.judge.outcome import AGREES, GRADED_TO, MARGIN_PERCENT, NO_PRINT
from lightlathe.judge.verdict import EXIT_CODES

GOOD = {
    "iou": 1.0,
    "iou_fine": 0.97,
    "wrong_voxels": 0.0,
    "unsure_part_fraction": 0.0,
    "unsure_liquid_fraction": 0.0,
    "reachable": 1.0,
    "shorter_percent": 5.0,
    "longer_percent": 5.0,
}


@pytest.mark.parametrize(
    ("changes", "code", "words"),
    [
        ({}, 0, "prints"),
        ({"iou_fine": 0.951}, 0, "prints"),
        ({"iou_fine": 0.949}, 3, "94.9 % on the finer grid"),
        ({"iou_fine": 0.701}, 3, "70.1 %"),
        ({"iou_fine": 0.699}, 4, "does not print"),
        ({"iou_fine": 0.59}, 4, "59 % on the finer grid, less than 70 %"),
        ({"iou_fine": math.nan}, 4, "overlap by nothing"),
        ({"iou": 0.3}, 0, "prints"),  # the finer grid is the honest one
        ({"wrong_voxels": 1.0}, 3, "1 voxel comes out wrong"),
        ({"wrong_voxels": 7.0}, 3, "7 voxels come out wrong"),
        ({"unsure_part_fraction": 1e-6}, 3, "between liquid_below and solid_above"),
        ({"unsure_liquid_fraction": 1e-6}, 3, "between liquid_below and solid_above"),
        ({"reachable": 0.0}, 3, "longer exposure than the longest allowed"),
        ({"longer_percent": 2.0}, 0, "prints"),
        ({"longer_percent": 1.9}, 3, "off by 1.9 % only"),
        ({"longer_percent": math.inf}, 0, "prints"),
        ({"shorter_percent": math.nan, "longer_percent": math.nan}, 3, "no exposure is right"),
        ({"wanted_dose_90": 0.15}, 0, "prints"),
        ({"wanted_dose_90": 0.16}, 3, "dose it wants"),
    ],
)
def test_each_figure_by_itself(changes, code, words):
    outcome = outcome_of(GOOD | changes)
    assert outcome.exit_code == code
    assert words in outcome.text()


def test_without_a_finer_grid_and_without_a_plan_the_jobs_own_grid_counts():
    bare = {k: GOOD[k] for k in ("wrong_voxels", "unsure_part_fraction", "unsure_liquid_fraction")}
    assert outcome_of(bare | {"iou": 1.0}).exit_code == 0
    assert outcome_of(bare | {"iou": 0.9, "wrong_voxels": 9.0}).exit_code == 3
    assert outcome_of(bare | {"iou": 0.6, "wrong_voxels": 9.0}).exit_code == 4


def test_the_help_states_these_limits():
    text = " ".join(topics()["verdicts"].split())
    assert f"an overlap of {100 * AGREES:g} % or more" in text
    assert f"**marginal**: an overlap of {100 * NO_PRINT:g} % or more" in text
    assert f"**does not print**: an overlap of less than {100 * NO_PRINT:g} %" in text
    assert f"may be {MARGIN_PERCENT:g} % shorter and {MARGIN_PERCENT:g} % longer" in text
    assert f"within {GRADED_TO:g} gel doses" in text
    for level, code in EXIT_CODES.items():
        assert f"| {code} | {level} |" in text
    for level, words, code in (("will work", "prints", 0), ("marginal", "marginal", 3)):
        assert f"| {code} | {level} | {words} |" in text
    assert "| 4 | cannot work | does not print |" in text
