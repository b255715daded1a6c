"""What the check says of room, field and detail: whether part, light, pixels and voxels fit each other."""

import re

import pytest
from good_case import changed, only, verdict

from lightlathe.feasibility import verdict_on
from lightlathe.feasibility.sampling import between_rows


def test_a_beam_as_wide_as_the_vial_is_told_apart_from_one_that_fits_the_part():
    wide, fitting = only(verdict(columns=170), "field"), only(verdict(columns=90), "field")
    assert "as wide as the vial" in wide.text
    assert "narrower than the vial" in fitting.text
    assert wide.number == pytest.approx(8 / 17)  # of the width, what the part's shadow takes
    narrow = only(verdict(columns=70), "field")
    assert narrow.level == "cannot work"
    assert "80 columns instead of 70" in narrow.change
    assert "1.15 times" in narrow.change  # 8 / 7, rounded up


def test_a_smaller_picture_names_what_it_asks_for_besides():
    """Done with all of that it works; done alone, each question that was well before is not."""
    small = changed(radius_mm=2.0, height_mm=4.0, volume_mm3=None)
    text = only(verdict_on(small), "field").text
    times = float(re.search(r"makes the picture ([\d.]+) times", text)[1])
    assert "stronger light; it then wants finer voxels and a dimmer lamp." in text
    alone = changed(small, pixel_mm=0.1 * times, irradiance_mw_cm2=20 / times**2)
    assert [r.topic for r in verdict_on(alone).reasons if r.level != "will work"] == ["detail", "light"]
    done = changed(alone, voxel_mm=0.1 * times, irradiance_mw_cm2=20.0)
    assert verdict_on(done).level == "will work"


def test_a_smaller_picture_is_offered_only_where_it_covers_the_part():
    coarse = only(verdict(pixel_mm=0.25, voxel_mm=0.1), "detail")
    assert coarse.change.startswith("a picture 2.5 times smaller, or voxels of 0.25 mm")
    assert only(verdict(pixel_mm=0.25, voxel_mm=0.05), "detail").change == "voxels of 0.25 mm."


def test_voxels_are_not_made_finer_than_light_can_draw():
    """A speck: voxels alone would only raise the next question."""
    speck = changed(radius_mm=0.3, height_mm=2.0, rows=40)
    change = only(verdict_on(speck), "detail").change
    assert change == "voxels and pixels of 0.018 mm or less (34 columns and 112 rows, or more)."
    finer = changed(speck, pixel_mm=0.018, voxel_mm=0.018, rows=112)
    assert {only(verdict_on(finer), topic).level for topic in ("detail", "field")} == {"will work"}
    assert only(verdict(voxel_mm=0.6, pixel_mm=0.02), "detail").change.endswith("voxels of 0.25 mm or less.")


def test_a_wall_of_two_voxels_is_no_thin_wall():
    """A mesh in float32 is off by a hair."""
    assert only(verdict(thinnest_mm=0.1999999), "detail").level == "will work"
    thin = only(verdict(thinnest_mm=0.131), "detail")
    assert thin.change.startswith("voxels and pixels of 0.065 mm or less (124 columns and 124 rows, or more)")


def test_level_ends_between_rows_are_named_with_the_move_that_mends_them():
    """100 rows of 0.1 mm: their middles lie at odd multiples of 0.05 mm. Up where that is lit, else down, else silence;
    ends on a row, half a row taller at one end, or short of the middle between two rows stay (judge/ends.py)."""
    said = between_rows(changed(level_ends_mm=(-4.0, 4.0)))
    assert "+0.05 mm more along z" in said
    for ends in ((-3.95, 4.05), (-4.0, 4.05), (-3.975, 3.975)):
        assert between_rows(changed(level_ends_mm=ends)) == ""
    assert "+0.055 mm more along z" in between_rows(changed(level_ends_mm=(-4.01, 4.0)))
    assert "-0.05 mm more along z" in between_rows(changed(level_ends_mm=(-3.0, 5.0)))
    assert between_rows(changed(level_ends_mm=(-5.0, 5.0))) == ""
    odd = changed(rows=101, level_ends_mm=(-4.0, 4.0))  # middles at multiples of 0.1 mm
    assert between_rows(odd) == ""
    assert only(verdict(level_ends_mm=(-4.0, 4.0)), "detail").level == "will work"


def test_what_stands_outside_is_named():
    """A part that fits by its size may still stand outside: the case brings the sentences."""
    outside = only(
        verdict(violations=("The part reaches 1 mm beyond the top of the resin.",), possible_mistakes=("Odd.",)),
        "place",
    )
    assert outside.level == "cannot work"
    assert "beyond the top of the resin" in outside.text
    assert "Odd." in outside.text
    doubtful = verdict(possible_mistakes=("The insert stands outside the vial.",))
    assert (doubtful.level, only(doubtful, "place").level) == ("marginal", "marginal")
    assert only(verdict(), "place").level == "will work"
