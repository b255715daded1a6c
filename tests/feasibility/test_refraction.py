"""The check of a bare vial: how far its light reaches, from where the rim is seen, and what is assumed."""

import pytest
from good_case import GOOD, changed, only, verdict

from lightlathe.feasibility import verdict_on
from lightlathe.feasibility.estimates import design_bytes, design_s
from lightlathe.feasibility.light import exposure_range_s

AIR = {"surroundings": "air", "wall_mm": 1.0, "wall_index": 1.48}
WIDE = {"columns": 200}  # 20 mm, as wide as the vial's outside and more


def test_no_question_where_light_enters_straight():
    assert not verdict().of("refraction")
    assert not verdict(surroundings="matched").of("refraction")
    assert not verdict(surroundings=1.5, wall_mm=0.0).of("refraction")


def test_a_part_within_reach():
    """S = min(R_i, R_o n1 / n2) = 9 / 1.5 = 6 mm; 20 mm of light are 1 mm too wide at either side: 20 columns."""
    reason = only(verdict(**AIR, **WIDE), "refraction")
    assert reason.level == "will work"
    assert (reason.number, reason.limit) == pytest.approx((4.0, 6.0))
    for words in (
        "stands in air (index 1)",
        "pass the axis at 0.667",
        "20 of 200 columns miss",
        "from every direction",
    ):
        assert words in reason.text


def test_a_rim_beyond_reach():
    """7 mm: seen from (2 / pi) asin(6 / 7) = 65.6 % of all directions; from all in a bath of 1.5 * 7 / 9 = 1.167."""
    reason = only(verdict(**AIR, **WIDE, radius_mm=7.0), "refraction")
    assert reason.level == "marginal"
    assert "from 66 % of all directions" in reason.text
    assert "within 6 mm of the axis" in reason.change
    assert "index 1.17" in reason.change
    bath = AIR | {"surroundings": 1.17}
    assert only(verdict(**bath, **WIDE, radius_mm=7.0), "refraction").level == "will work"


def test_a_field_narrower_than_the_vial():
    """10 mm of light are 6.67 mm in the resin: too narrow for a part of 8 mm, which the field says for certain."""
    narrow = verdict(**AIR)
    assert "outermost of the field at 3.33 mm" in only(narrow, "refraction").text
    field = only(narrow, "field")
    assert field.level == "cannot work"
    assert "6.67 mm wide in the resin" in field.text
    assert "120 columns instead of 100" in field.change
    assert only(verdict(**AIR, columns=120), "field").level == "will work"


def test_a_field_that_fills_the_vial_is_never_too_narrow():
    """18.2 mm of light into 18 mm of vial: a rim of 7 mm lies beyond its last chord, at 6 mm; no wider field helps."""
    found = verdict(**AIR, columns=182, radius_mm=7.0)
    assert only(found, "field").level == "will work"
    assert only(found, "refraction").level == "marginal"
    assert only(verdict(**AIR, columns=178, radius_mm=7.0), "field").level == "cannot work"


def test_light_is_drawn_together():
    """n2 / n1 times as much where nothing is lost: the shortest exposure is as much shorter."""
    assert exposure_range_s(changed(**AIR))[0] == pytest.approx(exposure_range_s(GOOD)[0] / 1.5)


def test_work_grows_with_the_views():
    assert design_s(changed(**AIR)) > 1.5 * design_s(GOOD)
    assert design_bytes(changed(**AIR, **WIDE)) > design_bytes(changed(**WIDE))


@pytest.mark.parametrize(
    ("vial", "said", "not_said"),
    [
        ({}, "the job does not say what surrounds the vial", "far wall"),
        ({"surroundings": "matched"}, "wall_index in [vial] is not given", "bath"),
        ({"surroundings": "matched", "wall_mm": 1.0, "wall_index": 1.48}, "The beam is parallel", "match"),
        (AIR, "reflected inside the vial, at its far wall above all, is left out", "match"),
    ],
)
def test_only_what_is_not_stated_is_assumed(vial, said, not_said):
    text = " ".join(verdict_on(changed(**vial)).assumptions)
    assert said in text
    assert not_said not in text


def test_a_bath_that_cannot_help_is_not_advised():
    """Where the wall's index limits S: 8 x 1.4 / 1.5 = 7.47 mm of a radius of 8 mm, whatever the bath."""
    low = {"surroundings": 1.5, "wall_mm": 1.0, "wall_index": 1.4}
    reason = only(verdict(**low, **WIDE, radius_mm=7.9), "refraction")
    assert reason.level == "marginal"
    assert "bath" not in reason.change


def test_the_turn_is_judged_by_pixels_as_they_are_in_the_resin():
    """Two thirds as wide: the edge moves 1.5 times as many."""
    bare, matched = (only(verdict(**vial, **WIDE), "turn") for vial in (AIR, {}))
    assert bare.number == pytest.approx(1.5 * matched.number)


def test_a_smaller_picture_is_still_wide_enough():
    """Of a picture that spills over the vial: what the part needs is a share of all of it."""
    wide = {"columns": 400, "rows": 400}
    text = only(verdict(**AIR, **wide), "field").text
    factor = float(text.split("makes the picture ")[1].split(" times")[0])
    assert only(verdict(**AIR, **wide, pixel_mm=0.1 * factor), "field").level == "will work"
