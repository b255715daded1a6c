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
        ({"iou_fine": 0.7}, "70 % only; 10 % of the part stays liquid there. Details may be as small as the voxels"),
        ({"under_cure_fraction": 1.0, "window_relative": 0.3}, "100 % of the part stays liquid: nothing comes out"),
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


def test_the_cause_is_named_only_where_it_is_one():
    """Pixels finer than voxels leave stripes, pixels as wide do not. A print that is as bad on its own grid
    is not mended by finer voxels."""
    rough = GOOD | {"iou": 0.99, "iou_fine": 0.7}
    assert any("stripes of liquid" in s for s in warnings(rough, PLAN, voxels_per_pixel=0.5))
    assert not any("no wider than the pixels" in s for s in warnings(rough, PLAN, voxels_per_pixel=1.0))
    for voxels in (0.5, 1.0):
        (said,) = warnings(rough | {"iou": 0.71}, PLAN, voxels_per_pixel=voxels)
        assert said.endswith("stays liquid there.")


def test_no_other_exposure_is_promised_where_none_is_right_or_allowed():
    """A resin without a safe dose has no right exposure; one that is too short is told so once."""
    wrong = GOOD | {"over_cure_fraction": 0.4, "over_cure_of_part": 5.0}
    no_safe_dose = plan_exposure(4, 8, 0, 90, turn_s=5)
    short = plan_exposure(4, 8, 60, 90, turn_s=5, max_exposure_s=20)
    for plan in (no_safe_dose, short):
        assert not any("Another exposure" in sentence for sentence in warnings(wrong, plan))
    graded = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=5.0)
    assert any("Another exposure" in sentence for sentence in warnings(wrong, graded))


def test_whether_more_iterations_help_is_left_to_the_proof():
    said = " ".join(warnings(GOOD | {"under_cure_fraction": 0.1, "window_relative": -0.1}, PLAN))
    assert "No exposure prints this right" in said
    assert "iterations" not in said
