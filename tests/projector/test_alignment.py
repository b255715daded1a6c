"""The turning axis from a needle seen at opposite stage angles."""

import json
import math

import pytest

from lightlathe.cli.main import main
from lightlathe.errors import MeasurementError
from lightlathe.projector.alignment import alignment, read_alignment

HEAD = "row,column_at_0_deg,column_at_180_deg\n"


@pytest.mark.parametrize(("offset", "tilt_deg"), [(0.0, 0.0), (3.25, 0.4), (-7.5, -1.1)])
def test_a_needle_beside_a_tilted_axis_is_seen_through(offset, tilt_deg):
    """Made up here: the needle stands 4 columns beside the axis, on the one side and then on the other."""
    rows, columns = 480, 640
    per_row = -math.tan(math.radians(tilt_deg))
    seen = []
    for row in (20, 200, 460):
        axis = (columns - 1) / 2 + offset + per_row * (row - (rows - 1) / 2)
        seen.append((row, axis + 4, axis - 4))
    found = alignment(seen, columns, rows)
    assert found.middle_column == pytest.approx((columns - 1) / 2 + offset, abs=1e-9)
    assert found.tilt_deg == pytest.approx(tilt_deg, abs=1e-9)
    assert found.scatter == pytest.approx(0, abs=1e-9)


def test_one_height_gives_the_offset_alone():
    found = alignment([(10.0, 30.0, 34.0)], 64, 40)
    assert found.middle_column == 32
    assert math.isnan(found.tilt_deg)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "head is"),
        ("row,column\n1,2\n", "head is"),
        (HEAD, "no line of numbers"),
        (HEAD + "1,2\n", "line 2"),
        (HEAD + "1,2,x\n", "line 2"),
        (HEAD + "1,2,inf\n", "finite"),
    ],
)
def test_tables_that_say_something_else_are_refused(tmp_path, text, match):
    path = tmp_path / "alignment.csv"
    path.write_text(text)
    with pytest.raises(MeasurementError, match=match):
        read_alignment(path)
    with pytest.raises(MeasurementError, match="cannot be read"):
        read_alignment(tmp_path / "none.csv")


def test_places_outside_the_field_are_refused():
    with pytest.raises(MeasurementError, match="columns 0 to 63"):
        alignment([(10.0, 30.0, 64.0)], 64, 40)


def test_the_command_gives_the_key(tmp_path, capsys):
    (tmp_path / "job.toml").write_text(
        '[part]\nshape = { kind = "sphere", radius_mm = 2 }\n[vial]\ninner_diameter_mm = 10\nresin_height_mm = 12\n'
        "[resin]\nabsorption_per_mm = 0.1\nliquid_below_mj_cm3 = 40\nsolid_above_mj_cm3 = 42\n[light]\npixel_mm = 0.1\n"
        "columns = 100\nrows = 40\nirradiance_mw_cm2 = 20\n[turn]\nangles = 60\nseconds_per_turn = 10\n[grid]\n"
        "voxel_mm = 0.2\n"
    )
    (tmp_path / "a.csv").write_text(HEAD + "# two heights\n5,52,54\n35,51,54\n")
    assert main(["projector", str(tmp_path / "a.csv"), "--job", str(tmp_path / "job.toml")]) == 0
    text = capsys.readouterr().out
    assert text.startswith("axis_offset_pixels = 3.26")  # the middle row lies at 19.5
    assert "right of the field's middle" in text
    # by hand: half a column to the left over 30 rows downwards
    tilt_deg = math.degrees(math.atan(0.5 / 30))
    assert f"axis_tilt_deg = {tilt_deg:.3f}    # in [light]: it leans to the right towards the top" in text
    assert "0.65 columns over the field's height" in text  # 39 rows from the first to the last
    assert main(["projector", str(tmp_path / "a.csv"), "--job", str(tmp_path / "job.toml"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["axis_offset_pixels"] == pytest.approx(3.25 + 0.5 / 60)
