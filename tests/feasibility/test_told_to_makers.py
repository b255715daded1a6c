"""What the check tells a maker: whose fault it is, what a resin needs, how few images or how much blur is too much."""

import dataclasses
import math

import pytest
import trimesh
from good_case import GOOD, changed, only, verdict

from lightlathe.beams import Diverging
from lightlathe.feasibility import check, verdict_on
from lightlathe.feasibility.resin import MAX_OPTICAL_DEPTH, REACHED_WINDOW
from lightlathe.flow.beside_inserts import Beside
from lightlathe.flow.solids import load_solids
from lightlathe.job import parse_job
from lightlathe.judge.verdict import Reason, Verdict

ROD = '[[part]]\nrole = "insert"\nshape = { kind = "cylinder", radius_mm = %s, height_mm = 40.0 }\n'


def box_job(small_job, folder, size=(4.0, 4.0, 1.0), more=""):
    """A box in a file, and what stands beside it; vial 10 x 12 mm."""
    trimesh.creation.box(size).export(folder / "a.stl")
    text = small_job()
    return parse_job(
        f'[[part]]\nmesh = "a.stl"\nunit = "mm"\n{more}' + text[text.index("[vial]") :], name="t", folder=folder
    )


@pytest.mark.parametrize(("low", "level"), [(32.0, "marginal"), (35.5, "marginal"), (36.0, "will work")])
def test_a_resin_that_needs_more_window_than_designs_reach_is_watched(low, level):
    """1 - 32 / 40 = 20 %, the README's data sheet; 11 % is what the example's own design reaches (README.md)."""
    found = only(verdict(liquid_below_mj_cm3=low, solid_above_mj_cm3=40.0), "threshold")
    assert found.level == level
    assert found.number == pytest.approx(1 - low / 40)
    assert found.limit == REACHED_WINDOW
    assert ("found by trying" in found.text) == (level == "marginal")


def test_the_depth_that_is_advised_is_half_the_radius_or_more_and_says_which():
    small = only(verdict(absorption_per_mm=0.3, radius_mm=1.0), "absorption")
    assert f"depth of {GOOD.vial.radius_mm / MAX_OPTICAL_DEPTH:g} mm or more" in small.change
    assert "half the vial's radius" in small.change
    large = only(verdict(absorption_per_mm=0.5), "absorption")
    assert "to print at all (a proven limit)" in large.text
    assert "where the limit on the window is 20 %" in large.change


@pytest.mark.parametrize(("angles", "level"), [(20, "marginal"), (360, "will work")])
def test_too_few_images_are_the_cause_that_is_named(angles, level):
    """pi D / N between two images at the edge of a part 8 mm wide: 1.3 mm with 20, 0.07 with 360."""
    found = only(verdict(angles=angles), "turn")
    assert found.level == level
    assert ("Too few images: what is finer than 1.3 mm (pi D / N" in found.text) == (angles == 20)
    assert math.pi * 8 / 20 == pytest.approx(1.3, abs=0.05)


@pytest.mark.parametrize(("aperture", "level"), [(0.02, "will work"), (0.2, "marginal")])
def test_light_far_out_of_focus_is_watched_though_walls_are_thick(aperture, level):
    """A disc of 2 |z| tan u is 2 sqrt(2 ln 2) / 4 as wide, at half height, as a Gaussian of its variance per length."""
    thick = dataclasses.replace(GOOD, part=dataclasses.replace(GOOD.part, thinnest_mm=4.0))
    case = changed(thick, numerical_aperture=aperture, wavelength_nm=405.0)
    found = only(verdict_on(case), "blur")
    assert found.level == level
    cone = 2 * 4.0 * aperture / math.sqrt(case.resin.refractive_index**2 - aperture**2)
    geometric = cone / 4 * 2 * math.sqrt(2 * math.log(2))  # of an even disc: standard deviation d / 4 along an axis
    sharp = 0.51 * 405e-6 / aperture
    assert found.number == pytest.approx(math.hypot(sharp, geometric), rel=0.05)
    assert (found.number > 2 * case.light.pixel_mm) == (level == "marginal")


@pytest.mark.parametrize(
    ("inside", "meshes", "level"), [(0.03, True, "marginal"), (0.01, True, "will work"), (0.3, False, "will work"),
                                    (0.6, False, "marginal")],
)  # fmt: skip
def test_an_insert_through_the_part_is_watched_and_told_with_brief(inside, meshes, level):
    beside = Beside(
        opaque=True, through=False, shaded=True, near_mm=0.2, least=0.5, mean=0.6, inside=inside, meshes=meshes
    )
    found = verdict_on(dataclasses.replace(GOOD, part=dataclasses.replace(GOOD.part, beside=beside)))
    assert only(found, "insert").level == level
    assert f"{100 * inside:g} % of the part lies inside an insert" in found.text(brief=True)


def test_of_a_mesh_with_a_rod_through_it_the_check_counts_the_share(small_job, tmp_path):
    found = check(box_job(small_job, tmp_path, more=ROD % 0.6))
    reason = only(found, "insert")
    assert reason.level == "marginal"
    assert reason.number == pytest.approx(math.pi * 0.6**2 / 16, abs=0.02)  # of the box's cross-section, by voxels


def test_an_insert_wider_than_the_vial_is_blamed_itself(small_job, tmp_path):
    reason = only(check(box_job(small_job, tmp_path, more=ROD % 8)), "place")
    assert reason.level == "cannot work"
    assert reason.text.startswith("The insert reaches 3 mm beyond the vial's inner radius of 5 mm")
    assert reason.change.startswith("an insert that goes into the vial")
    assert "thicker than a voxel" not in reason.text


def test_a_round_mesh_in_another_unit_is_asked_about(small_job, tmp_path):
    """A cylinder 8 mm wide fits the vial of 10 mm, though the corners of its box do not."""
    trimesh.creation.cylinder(radius=4.0, height=1.0, sections=64).export(tmp_path / "a.stl")
    text = small_job()
    text = '[[part]]\nmesh = "a.stl"\nunit = "cm"\n' + text[text.index("[vial]") :]
    found = check(parse_job(text, name="t", folder=tmp_path))
    for topic in ("room", "place"):
        assert only(found, topic).change.startswith("Is the unit of the mesh mm (8 x 8 x 1 mm), not cm?")


@pytest.mark.parametrize(
    ("columns", "rows", "keys", "asked"),
    [
        (1280, 720, {"throw_ratio": 1.4}, ""),
        (200, 720, {"throw_ratio": 5.0}, "Are 200 columns all that the projector has?"),
        (400, 400, {"throw_ratio": 1.4}, "Are 400 columns all that the projector has? Hardly one has a lens 56 mm"),
        (100, 100, {"distance_mm": 150.0}, "Are 100 columns and 100 rows all that the projector has?"),
    ],
)
def test_a_field_that_is_cut_down_before_a_lens_is_asked_about(columns, rows, keys, asked):
    case = changed(columns=columns, rows=rows, beam=Diverging(**keys))
    found = only(verdict_on(case), "divergence")
    assert asked in found.text
    assert (found.level == "marginal") == bool(asked)
    assert ("all that the projector has" in found.text) == bool(asked)


def test_flat_ends_that_stay_for_an_insert_are_told_with_the_reason(small_job, tmp_path):
    with_rod = load_solids(box_job(small_job, tmp_path, more=ROD % 0.6))[1]
    assert any('a shape (role = "insert") has a place of its own' in line for line in with_rod)
    assert any("+0.125 mm more along z" in line for line in with_rod)
    assert not load_solids(box_job(small_job, tmp_path, size=(4, 4, 1.25), more=ROD % 0.6))[1]  # lies on rows
    assert not load_solids(box_job(small_job, tmp_path))[1]  # is moved


def test_help_for_several_is_told_once_and_what_is_unknown_not_of_what_cannot_work():
    stop = [Reason(topic, "cannot work", "it is.", 0.0, 1.0, "", "a smaller part.") for topic in ("room", "place")]
    said = Verdict((*stop, Reason("heat", "will work", "who knows.", known=False)), ("care",)).text()
    assert said.count("a smaller part.") == 1
    assert "helps most: what helps with room, above." in said
    assert "heat" not in said
