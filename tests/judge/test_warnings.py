"""What is said about a print: every fault is named, a sound print is left in peace."""

import pytest

from lightlathe.judge import plan_exposure, warnings

GOOD = {
    "under_cure_fraction": 0.0,
    "over_cure_fraction": 0.0,
    "over_cure_of_part": 0.0,
    "window_relative": 0.3,
    "unsure_part_fraction": 0.0,
    "unsure_liquid_fraction": 0.0,
    "iou_fine": 0.98,
    "under_cure_fraction_fine": 0.1,
}
PLAN = plan_exposure(4, 8, 60, 90, turn_s=5)


def test_a_sound_print_is_left_in_peace():
    assert warnings(GOOD, PLAN) == []


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"under_cure_fraction": 0.02, "window_relative": -0.1}, "stays liquid"),
        ({"over_cure_fraction": 0.02, "over_cure_of_part": 0.5}, "as much as 50 % of the part"),
        ({"window_relative": -0.1}, "No exposure"),
        ({"window_relative": 0.02}, "only 2 %"),
        ({"window_relative": float("nan")}, "nothing to judge"),
        ({"unsure_part_fraction": 0.01}, "not for sure"),
        ({"iou_fine": 0.7}, "70 % only; 10 % of the part stays liquid there"),
        ({"under_cure_fraction": 1e-6}, "less than 0.01 %"),
    ],
)
def test_every_fault_is_named(change, word):
    assert any(word in sentence for sentence in warnings(GOOD | change, PLAN))


def test_too_little_and_too_much_light_are_named():
    short = plan_exposure(4, 8, 60, 90, turn_s=5, max_exposure_s=20)
    assert any("too short" in sentence for sentence in warnings(GOOD, short))
    much = plan_exposure(400, 800, 60, 90, turn_s=5)
    assert any("dimmed to 13 %" in sentence and "8 bits" in sentence for sentence in warnings(GOOD, much, bits=8))


@pytest.mark.parametrize(("out", "inside"), [(60.0, 90.9), (59.5, 90.0)])
def test_a_slim_margin_is_named(out, inside):
    """One turn of 5 s with a dose window that just covers 60 to 90 mJ/cm3: less than 2 % to either side."""
    plan = plan_exposure(out, inside, 60, 90, turn_s=5)
    assert plan.right
    assert min(plan.shorter_percent, plan.longer_percent) < 2
    assert any("hardly any margin" in sentence for sentence in warnings(GOOD, plan))


def test_too_few_bits_are_named_where_the_print_is_wrong():
    wrong = GOOD | {"over_cure_fraction": 0.02, "over_cure_of_part": 0.5, "window_relative": -0.1}
    for bits, levels in ((1, 2), (2, 4), (3, 8)):
        assert any(f"only {levels} levels" in sentence for sentence in warnings(wrong, PLAN, bits=bits))
        assert warnings(GOOD, PLAN, bits=bits) == []
    assert not any("levels of light" in sentence for sentence in warnings(wrong, PLAN, bits=8))
