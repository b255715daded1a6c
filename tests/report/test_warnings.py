"""What is said about a print: every fault is named, a sound print is left in peace."""

import pytest

from lightlathe.judge import plan_exposure
from lightlathe.report.warnings import warnings

NAN = float("nan")
GOOD = {
    "under_cure_fraction": 0.0,
    "over_cure_fraction": 0.0,
    "over_cure_of_part": 0.0,
    "window_relative": 0.3,
    "unsure_part_fraction": 0.0,
    "unsure_liquid_fraction": 0.0,
    "iou_fine": 0.98,
    "under_cure_fraction_fine": 0.1,
    "over_cure_of_part_fine": 0.0,
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
        ({"window_relative": NAN, "over_cure_fraction": NAN}, "no window to judge: nothing around the part is judged"),
        ({"window_relative": NAN, "under_cure_fraction": NAN}, "no window to judge: no voxel is to turn solid"),
        ({"window_relative": NAN}, "no window to judge: no dose reaches the part"),
        ({"over_cure_fraction": 0.4, "over_cure_of_part": 5.077}, "solid (5.1 times the part's volume): gaps close"),
        ({"unsure_liquid_fraction": 0.0071}, "0.71 % of the rest gets a dose between"),
        ({"unsure_liquid_fraction": 0.2, "unsure_part_fraction": 0.1}, "10 % of the part and 20 % of the rest get a"),
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


def test_the_short_side_of_a_slim_margin_is_named():
    """A window of half an octave, laid so that one end is near: 4 and 8 for a turn of levels, 75 wanted."""
    for full, side, most in ((9.5, "short", 1.3), (18.5, "long", 1.4)):  # right from 9.375 to 18.75 turns
        plan = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=full)
        (said,) = warnings(GOOD, plan)
        assert f"hardly any margin to the {side} side: it is right up to {most} % {side}er. " in said


def test_no_more_bits_are_lost_than_there_are():
    plan = plan_exposure(20000, 40000, 60, 90, turn_s=5)  # times 0.0026: below the lowest of 255 steps
    (said,) = warnings(GOOD, plan, bits=8)
    assert "less than one of the projector's 255 steps is left" in said
    assert "bits are lost" not in said


def test_another_exposure_is_named_beside_a_narrow_window():
    missed = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=5.0)
    wrong = GOOD | {"under_cure_fraction": 0.04, "window_relative": 0.009}
    said = warnings(wrong, missed)
    assert any("only 0.9 %" in sentence for sentence in said)
    assert any("Another exposure would print every voxel of the job's grid right" in sentence for sentence in said)


def test_finer_voxels_are_not_asked_for_where_they_cannot_help():
    """Where any dose is solid, where a band hides the surface, and where rows print flat ends half a row short."""
    rough = GOOD | {"iou": 0.99, "iou_fine": 0.7}
    banded = rough | {"iou_fine_judged": 0.96, "iou_whole": 0.6}
    for quality, more, words in (
        (rough, {"safe_dose": False}, "any dose turns this resin solid"),
        (banded, {"move_mm": 0.1}, "a narrower one (tolerance_mm) helps"),
        (banded | {"iou_whole": 1.0}, {"move_mm": 0.1}, "+0.1 mm more along z"),
        (
            rough,
            {"move_mm": -0.1},
            "-0.1 mm more along z for all that is in the job (added to shift_mm[2]",
        ),
    ):
        said = " ".join(warnings(quality, PLAN, voxels_per_pixel=1.0, **more))
        assert words in said
        assert "Details may be" not in said


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
    fat = rough | {"over_cure_of_part_fine": 0.2}  # more is solid that should not be than liquid
    assert not any("stripes of liquid" in s for s in warnings(fat, PLAN, voxels_per_pixel=0.5))
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
