"""The illumination of a projector's field from files: orientation, coarser grids, and what is no illumination."""

import json

import numpy as np
import pytest
import torch
from PIL import Image

from lightlathe.errors import JobError
from lightlathe.job import job_from, parse_job, resolved
from lightlathe.projector import FlatField, relative_irradiance
from odd_jobs import disc

FIELD = ("columns = 40\nrows = 20", "columns = 5\nrows = 4")
SEEN = np.array([[10, 20, 30, 40, 50], [1, 2, 3, 4, 5], [5, 5, 5, 5, 5], [0, 100, 0, 0, 7]])  # top row first


def job(folder, line='illumination = "flat.csv"', field=FIELD):
    return parse_job(disc((field[0], f"{field[1]}\n{line}")), name="disc", folder=folder)


def saved(folder, name, values):
    """The values in a file of each kind that is read."""
    path = folder / name
    if path.suffix == ".csv":
        path.write_text("\n".join(",".join(map(str, row)) for row in values))
    elif path.suffix == ".npy":
        np.save(path, values)
    else:
        Image.fromarray(values).save(path)
    return path


@pytest.mark.parametrize(
    ("name", "dtype"),
    [
        ("flat.csv", np.float64),
        ("flat.png", np.uint8),
        ("flat.png", np.uint16),
        ("flat.tif", np.uint8),
        ("flat.tiff", np.uint16),
        ("flat.tif", np.float32),
        ("flat.npy", np.float64),
        ("flat.npy", np.uint16),
    ],
)
def test_every_file_is_seen_from_the_projector_with_the_top_row_first(tmp_path, name, dtype):
    """(column, row), lowest row first: by hand, the left column from below is 0, 5, 1, 10 of the largest, 100."""
    saved(tmp_path, name, SEEN.astype(dtype))
    light = job(tmp_path, f'illumination = "{name}"').light.relative_irradiance
    assert light.shape == (5, 4)
    np.testing.assert_allclose(light[0], [0, 0.05, 0.01, 0.1], rtol=1e-7)
    np.testing.assert_allclose(light, SEEN[::-1].T / 100, rtol=1e-7)


def test_any_unit_will_do(tmp_path):
    saved(tmp_path, "flat.csv", SEEN)
    saved(tmp_path, "same.csv", SEEN * 0.037)
    one, other = (job(tmp_path, f'illumination = "{n}.csv"').light.relative_irradiance for n in ("flat", "same"))
    torch.testing.assert_close(one, other, rtol=1e-12, atol=0)


def test_a_coarser_grid_is_bilinear_between_the_corner_pixels():
    """A bilinear function is met everywhere; its corners lie at the centres of the corner pixels."""
    flat = FlatField.measured("flat.csv", np.array([[1.0, 2.0, 3.0], [3.0, 4.0, 5.0]]))
    seen = flat.over(9, 5) * 5
    column, row = np.meshgrid(np.arange(9) / 8, np.arange(5) / 4)
    np.testing.assert_allclose(seen, 1 + 2 * column + 2 * row, rtol=1e-12)


def test_dead_columns_and_rows_are_counted_from_the_left_and_from_the_top(tmp_path):
    light = job(tmp_path, "dead_columns = [1]\ndead_rows = [0, 3]").light.relative_irradiance
    seen = light.T.flip(0).numpy()  # (row, column), top row first
    np.testing.assert_array_equal(seen, [[0, 0, 0, 0, 0], [1, 0, 1, 1, 1], [1, 0, 1, 1, 1], [0, 0, 0, 0, 0]])
    assert job(tmp_path, "").light.relative_irradiance is None
    assert relative_irradiance(None, (), (), 5, 4) is None


def test_settings_name_the_file_and_read_back(tmp_path):
    saved(tmp_path, "flat.csv", SEEN)
    one = job(tmp_path)
    settings = json.loads(json.dumps(resolved(one)))
    assert settings["light"]["illumination"] == "flat.csv"
    again = job_from(settings, name="disc", folder=tmp_path)
    assert torch.equal(again.light.relative_irradiance, one.light.relative_irradiance)
    assert dict(again.files).keys() == {"flat.csv"}


def test_from_python_an_array_will_do(tmp_path):
    tables = resolved(job(tmp_path, ""))
    tables["light"]["illumination"] = FlatField.measured("of 3 May", SEEN)
    assert float(job_from(tables).light.relative_irradiance.max()) == 1


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('illumination = "none.csv"', "there is no file '.*none.csv'; paths are relative"),
        ('illumination = ""', "'' is no path"),
        ("illumination = 3", "illumination is 3; expected the name of a file"),
        ("illumination = [1, 2]", r"illumination is \[1, 2\]; expected the name of a file"),
        ('illumination = "flat.xlsx"', "illumination is 'flat.xlsx'; expected a file that ends in .csv, .png"),
        (
            "dead_columns = [5]",
            r"dead_columns is \[5\]; expected numbers of columns, from 0 to 4, the first at the left",
        ),
        ("dead_columns = [-1]", r"dead_columns is \[-1\]; expected"),
        ("dead_rows = [4]", r"dead_rows is \[4\]; expected numbers of rows, from 0 to 3, the first at the top"),
        ("dead_rows = [1.5]", "dead_rows is 1.5; expected a whole number"),
        ("dead_rows = 2", "dead_rows is 2; expected a list, each a whole number"),
        ("dead_rows = [0, 1, 2, 3]", "dead_rows names all 4 rows"),
        ("dead_columns = [true]", "dead_columns is True; expected a whole number"),
        ("dead_column = [1]", "unknown key 'dead_column'. Did you mean 'dead_columns'"),
    ],
)
def test_hostile_keys_of_the_field(tmp_path, line, words):
    (tmp_path / "flat.xlsx").write_text("1,2\n3,4\n")
    with pytest.raises(JobError, match=rf"\[light.*{words}"):
        job(tmp_path, line)


def test_a_field_that_no_memory_holds_is_refused(tmp_path):
    huge = job(tmp_path, "dead_rows = [3]", (FIELD[0], "columns = 100000\nrows = 100000"))
    with pytest.raises(JobError, match=r"100000 columns and 100000 rows; expected 1e\+08 pixels at most"):
        assert huge.light.relative_irradiance is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("1,2,3,4,5\n1,2,3,4\n", "line 2: 4 numbers; expected 5"),
        ("a,b,c,d,e\n1,2,3,4,5\n", "line 1: irradiance is 'a'; expected a number"),
        ("1,2\n3,-4\n", "line 2: irradiance is '-4'; expected a number of 0 or more"),
        ("1,2\n3,nan\n", "line 2: irradiance is 'nan'"),
        ("0,0\n0,0\n", "values from 0 to 0; expected finite numbers of 0 or more, above 0 somewhere"),
        ("1,2,3,4\n" * 5, "has 4 columns and 5 rows; expected 5 columns and 4 rows.*rows and columns swapped"),
        ("1,2,3,4,5,6\n" * 4, "has 6 columns and 4 rows; expected 5 columns"),
        ("1,2,3,4,5\n", "has 5 columns and 1 rows; expected 5 columns and 4 rows"),
        ("1\n2\n", "has 1 columns and 2 rows; expected"),
    ],
)
def test_what_is_no_table_of_the_field(tmp_path, text, words):
    (tmp_path / "flat.csv").write_text(text)
    with pytest.raises(JobError, match=rf"\[light.*{words}"):
        job(tmp_path)


def test_images_in_colour_and_damaged_ones_are_refused(tmp_path):
    colour = Image.fromarray(np.zeros((4, 5, 3), np.uint8))
    colour.save(tmp_path / "flat.png")
    with pytest.raises(JobError, match=r"an image in colour or with transparency.*proportional to the irradiance"):
        job(tmp_path, 'illumination = "flat.png"')
    colour.save(tmp_path / "flat.jpg")
    (tmp_path / "flat.jpg").rename(tmp_path / "flat.tif")  # another kind than it says
    with pytest.raises(JobError, match="is no TIFF image that can be read"):
        job(tmp_path, 'illumination = "flat.tif"')
    whole = saved(tmp_path, "flat.png", SEEN.astype(np.uint8)).read_bytes()
    (tmp_path / "flat.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(JobError, match="is no PNG image that can be read"):
        job(tmp_path, 'illumination = "flat.png"')
    big = Image.new("1", (20_000, 6_000))
    big.save(tmp_path / "flat.png")  # a few kB that unpack to far more
    with pytest.raises(JobError, match="20000 x 6000 pixels; expected those of the projector at most"):
        job(tmp_path, 'illumination = "flat.png"')


def test_arrays_that_lie_or_run_code_are_refused(tmp_path):
    path = tmp_path / "flat.npy"
    np.save(path, np.array([[{}]], dtype=object), allow_pickle=True)
    with pytest.raises(JobError, match="holds object of shape"):
        job(tmp_path, 'illumination = "flat.npy"')
    np.save(path, np.ones((4, 5, 2)))
    with pytest.raises(JobError, match=r"shape \(4, 5, 2\)"):
        job(tmp_path, 'illumination = "flat.npy"')
    np.save(path, np.ones((4, 5), complex))
    with pytest.raises(JobError, match="holds complex128 of shape"):
        job(tmp_path, 'illumination = "flat.npy"')
    np.save(path, np.ones((4, 5)))
    path.write_bytes(path.read_bytes().replace(b"(4, 5), ", b"(9999999999, 9999999999), ", 1))
    with pytest.raises(JobError, match=r"that can be read|expected numbers"):
        job(tmp_path, 'illumination = "flat.npy"')
    path.write_bytes(b"not an array")
    with pytest.raises(JobError, match="is no NumPy array that can be read"):
        job(tmp_path, 'illumination = "flat.npy"')
