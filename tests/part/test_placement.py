"""Placing a part in the vial, the grid around it, and whether it fits."""

import math

import numpy as np
import pytest
from bodies import box

from lightlathe.errors import PartError
from lightlathe.part import SHAPES, Scaling, fit, grid_for, place, require_fit, surface_from_triangles
from lightlathe.part.placement import rotation
from lightlathe.quantities import Grid

BAR = box((10, 20, 30), (12, 25, 33))  # 2 x 5 x 3, off the origin


def test_centring_puts_the_middle_of_the_box_on_the_origin():
    np.testing.assert_allclose(place(BAR).bounds_mm, [[-1, -2.5, -1.5], [1, 2.5, 1.5]], rtol=1e-15)


def test_without_centring_a_part_stays_where_its_file_has_it():
    placed = place(BAR, centre=False)
    np.testing.assert_allclose(placed.bounds_mm, BAR.bounds_mm, rtol=1e-15)
    scaled = place(BAR, scale=2, centre=False)
    np.testing.assert_allclose(scaled.bounds_mm, 2 * BAR.bounds_mm, rtol=1e-15)


def test_shift_comes_last():
    placed = place(BAR, scale=2, rotation_deg=(0, 0, 90), shift_mm=(0.5, 0, -7))
    np.testing.assert_allclose(placed.bounds_mm, [[-4.5, -2, -10], [5.5, 2, -4]], rtol=1e-15)


@pytest.mark.parametrize(
    ("turn", "point", "lands"),
    [
        ((90, 0, 0), (0, 1, 0), (0, 0, 1)),  # right-handed about x: y -> z
        ((0, 90, 0), (0, 0, 1), (1, 0, 0)),  # about y: z -> x
        ((0, 0, 90), (1, 0, 0), (0, 1, 0)),  # about z: x -> y
        ((90, 90, 0), (0, 1, 0), (1, 0, 0)),  # x first, then y: y -> z -> x
        ((90, 0, 90), (1, 0, 0), (0, 1, 0)),  # x stays, then about the fixed z
        ((0, 0, 30), (1, 0, 0), (math.cos(math.pi / 6), 0.5, 0)),
    ],
)
def test_turns_are_right_handed_about_fixed_axes_x_then_y_then_z(turn, point, lands):
    np.testing.assert_allclose(rotation(turn) @ point, lands, atol=1e-15)


def test_turning_keeps_volume_and_handedness():
    placed = place(BAR, rotation_deg=(17, 29, -71))
    assert placed.volume_mm3 == pytest.approx(30, rel=1e-13)  # a mirrored part would have -30
    assert np.linalg.det(rotation((17, 29, -71))) == pytest.approx(1, rel=1e-14)


def test_full_turns_change_no_bit():
    np.testing.assert_array_equal(place(BAR, rotation_deg=(360, -360, 720)).vertices_mm, place(BAR).vertices_mm)


@pytest.mark.parametrize(("lay", "size"), [("along", (3, 2, 5)), ("across", (5, 3, 2))])
def test_lay_puts_the_longest_side_along_or_across_the_axis(lay, size):
    placed = place(BAR, lay=lay)
    np.testing.assert_allclose(placed.size_mm, size)
    assert placed.volume_mm3 == pytest.approx(30)
    np.testing.assert_allclose(place(placed, lay=lay).size_mm, size)


def test_lay_comes_before_the_turn():
    np.testing.assert_allclose(place(BAR, lay="along", rotation_deg=(0, 0, 90)).size_mm, (2, 3, 5), atol=1e-15)


def test_the_report_follows_the_part():
    placed = place(BAR, scale=3)
    assert placed.report.size_mm == pytest.approx((6, 15, 9))
    assert placed.report.volume_mm3 == pytest.approx(30 * 27)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"scale": 0}, "scale is 0; expected a number above 0"),
        ({"scale": -1}, "a mirrored part is another part"),
        ({"scale": math.nan}, "scale is nan"),
        ({"rotation_deg": (0, math.inf, 0)}, r"rotation_deg is \[0, inf, 0\]; expected three finite numbers"),
        ({"shift_mm": (0, 0)}, r"shift_mm is \[0, 0\]; expected three finite numbers"),
        ({"lay": "flat"}, "lay is 'flat'; expected 'across' or 'along'"),
    ],
)
def test_bad_placement(arguments, message):
    with pytest.raises(PartError, match=message):
        place(BAR, **arguments)


def test_shapes_are_scaled_and_shifted_but_not_turned():
    tube = SHAPES["tube"](2.0, 1.0, 5.0, at_mm=(1.0, 0.0, 2.0))
    assert place(tube, scale=2, shift_mm=(0, 0, 1)) == SHAPES["tube"](4.0, 2.0, 10.0, at_mm=(0.0, 0.0, 1.0))
    assert place(tube, scale=2, centre=False) == SHAPES["tube"](4.0, 2.0, 10.0, at_mm=(2.0, 0.0, 4.0))
    for turned in ({"rotation_deg": (90, 0, 0)}, {"lay": "across"}):
        with pytest.raises(PartError, match="shape tube stands upright"):
            place(tube, **turned)


def test_grid_covers_the_vial_across_and_the_part_with_a_margin_in_height():
    grid = grid_for([place(BAR)], vial_radius_mm=5.0, voxel_mm=0.25)
    assert grid == Grid((40, 40, 12 + 4), 0.25)
    assert grid_for([place(BAR)], 5.0, 0.25, margin_voxels=0).shape == (40, 40, 12)


def test_n_voxels_written_as_decimals_give_n():
    """0.3 / 0.1 is 2.9999999999999996 and 0.7 / 0.1 is 6.999999999999999; 2.1 / 0.7 is 3.0000000000000004."""
    for n, voxel in ((3, 0.1), (7, 0.1), (3, 0.7), (30, 0.1), (1000, 0.01)):
        part = box((0, 0, 0), (1, 1, n * voxel))
        assert grid_for([place(part)], 5, voxel, margin_voxels=0).shape[2] == n
        assert grid_for([place(part)], n * voxel / 2, voxel).shape[0] == n


def test_a_part_that_is_no_whole_number_of_voxels_is_covered():
    grid = grid_for([place(BAR)], vial_radius_mm=5.1, voxel_mm=0.4)
    assert grid.shape == (26, 26, 8 + 4)
    assert grid.extent_mm[0] >= 10.2


def test_a_shifted_part_makes_the_grid_taller_on_both_sides():
    assert grid_for([place(BAR, shift_mm=(0, 0, 2))], 5.0, 0.25).shape[2] == 28 + 4


def test_the_grid_covers_all_that_is_placed():
    parts = [place(BAR), SHAPES["cylinder"](1.0, 8.0)]
    assert grid_for(parts, 5.0, 0.25).shape[2] == 32 + 4


def test_grid_needs_a_voxel_and_a_part():
    with pytest.raises(PartError, match=r"voxel_mm is 0; expected a length above 0 mm"):
        grid_for([place(BAR)], 5.0, 0)
    with pytest.raises(PartError, match="no part"):
        grid_for([], 5.0, 0.1)


VIAL = {"vial_radius_mm": 6.0, "resin_height_mm": 20.0, "field_width_mm": 11.0, "field_height_mm": 8.0}


def test_fit_measures_the_clearances_across():
    report = fit(place(BAR, shift_mm=(1, 0, 0.5)), **VIAL)
    reach = math.hypot(2, 2.5)
    assert report.fits
    assert report.wall_clearance_mm == pytest.approx(6 - reach)
    assert report.field_clearance_mm == pytest.approx(5.5 - reach)
    require_fit(report)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"shift_mm": (5, 0, 0)}, r"the vial's inner radius of 6 mm: its farthest point is 6\.5 mm from the axis\."),
        ({"shift_mm": (4, 0, 0)}, r"the projector's field, 11 mm wide: its farthest point is 5\.59 mm from the axis"),
        (
            {"shift_mm": (0, 0, 9)},
            r"0\.5 mm beyond the top of the resin, 20 mm high: its top is at z = 10\.5 mm",
        ),
        ({"shift_mm": (0, 0, -3)}, r"the bottom of the projector's field, 8 mm high: its bottom is at z = -4\.5 mm"),
    ],
)
def test_what_does_not_fit_is_said_with_numbers(arguments, message):
    report = fit(place(BAR, **arguments), **VIAL)
    assert not report.fits
    with pytest.raises(PartError, match=message):
        require_fit(report)


def test_only_what_can_help_is_offered():
    """The vial holds 12 mm across and 20 mm in height, its light is 11 mm wide and 8 mm tall."""

    def helps(solid):
        return fit(solid, **VIAL).helps

    cylinder = SHAPES["cylinder"]
    assert helps(cylinder(2.0, 3.0)) == ()
    assert helps(cylinder(5.8, 3.0)) == ("a smaller part", "a wider field of light")
    assert helps(cylinder(6.5, 3.0)) == ("a smaller part", "a wider vial", "a wider field of light")
    assert helps(cylinder(2.0, 3.0, (5.0, 0.0, 0.0)))[:2] == ("another place", "a smaller part")
    assert helps(cylinder(2.0, 9.0)) == ("a smaller part", "a taller field of light")
    assert helps(cylinder(2.0, 21.0)) == ("a smaller part", "more resin", "a taller field of light")
    tall, rod = place(BAR, scale=2.0, lay="along"), place(BAR, scale=1.5, lay="across", shift_mm=(3.0, 0.0, 0.0))
    assert "the part laid across the axis" in helps(tall)
    assert helps(rod)[:2] == ("another place", "the part laid along the axis")


def test_a_part_that_touches_the_wall_fits():
    assert fit(SHAPES["cylinder"](5.5, 8.0), **VIAL).fits
    assert not fit(SHAPES["cylinder"](5.5001, 8.0), **VIAL).fits


@pytest.mark.parametrize(("read_as", "true"), [("mm", "um"), ("inch", "mm"), ("m", "mm"), ("cm", "mm")])
def test_a_wrong_unit_is_named_with_the_one_that_would_fit(read_as, true):
    """A part of 8 mm read too large by 1000, 25.4 or 10."""
    mm = {"um": 1e-3, "mm": 1, "cm": 10, "inch": 25.4, "m": 1000}
    part = box((0, 0, 0), (4, 4, 8)).triangles * mm[read_as] / mm[true]
    report = fit(place(surface_from_triangles(part, "big", read_as)), **(VIAL | {"field_height_mm": 20.0}))
    assert f"It was read in {read_as} and is" in report.problems[-1]
    assert true in report.problems[-1].split(" In ")[1].split()
    with pytest.raises(PartError, match="is the unit right"):
        require_fit(report)


@pytest.mark.parametrize(
    ("now", "shift", "scale"),
    [
        (1.0, (0.0, 0.0, 0.0), 0.76),  # a cube of 9.9 mm; 0.2 mm kept free of the light's 8: 7.6 / 9.9 = 0.768
        (0.5, (0.0, 0.0, 0.0), 0.38),
        (1.0, (1.0, 0.0, 0.0), 0.67),  # (1 + 4.95 s)^2 + (4.95 s)^2 = 5.5^2 at s = 0.677
        (1.0, (0.0, 0.0, 1.5), 0.46),  # 1.5 + 4.95 s = 3.8 at s = 0.465
    ],
)
def test_the_scale_with_which_a_mesh_would_fit_is_named(now, shift, scale):
    part = surface_from_triangles(box((0, 0, 0), (9.9 / now,) * 3).triangles, "cube", "mm")
    report = fit(place(part, scale=now, shift_mm=shift), **VIAL, scaling=Scaling(now, shift, 0.2))
    assert any(f"(scale = {scale} in [part] would fit)" in words for words in report.helps)
    if shift[2] == 0:
        assert not any("It was read in" in problem for problem in report.problems)  # simply too large
    assert fit(place(part, scale=scale, shift_mm=shift), **VIAL).fits


@pytest.mark.parametrize("read_as", ["um", "mm", "cm", "m", "inch", "foot"])
@pytest.mark.parametrize("size_mm", [1e-3, 1.0, 30.0, 1000.0, 1e5])
def test_no_one_is_asked_whether_a_part_is_in_feet(read_as, size_mm):
    """Nor whether feet are micrometres: CAD programs write mm, cm, m and inches (from memory)."""
    report = fit(
        place(surface_from_triangles(box((0, 0, 0), (size_mm,) * 3).triangles, "cube", "mm")), **VIAL, read_as=read_as
    )
    said = " ".join((*report.problems, *report.notes)).partition(" In ")[2]
    assert "foot" not in said
    assert read_as == "mm" or "um" not in said.split()


def test_a_part_that_would_fit_centred_says_so():
    report = fit(place(BAR, centre=False), **VIAL)
    assert report.problems[-1] == "Centred on the axis it would fit."


@pytest.mark.parametrize(("read_as", "true"), [("mm", "inch"), ("mm", "cm"), ("um", "mm")])
def test_a_part_that_is_a_speck_in_the_vial_is_noted_with_the_unit_that_would_fill_it(read_as, true):
    mm = {"um": 1e-3, "mm": 1, "cm": 10, "inch": 25.4}
    part = box((0, 0, 0), (4, 4, 8)).triangles * mm[read_as] / mm[true]
    report = fit(place(surface_from_triangles(part, "small", read_as)), **VIAL)
    assert report.fits
    assert true in report.notes[0].split(" In ")[1].split()
    assert fit(place(BAR), **VIAL).notes == ()
