"""Windows paths in TOML: the escapes that they contain by accident, TOML 1.0 section "String", are named as such."""

import pytest

from lightlathe.errors import JobError
from lightlathe.job import parse_job

MESH = 'mesh = "{}"\nunit = "mm"'


def parse(small_job, folder, path):
    text = small_job()
    shape = next(line for line in text.splitlines() if line.startswith("shape"))
    return parse_job(text.replace(shape, MESH.format(path)), name="t", folder=folder, file="t.toml")


@pytest.mark.parametrize(
    ("path", "forward"),
    [
        (r"C:\Users\me\valve.stl", "C:/Users/me/valve.stl"),  # \U wants eight hexadecimal digits
        (r"C:\parts\valve.stl", "C:/parts/valve.stl"),  # \p is no escape
        (r"C:\data\x.stl", "C:/data/x.stl"),
        (r"meshes\tube.stl", "meshes/tube.stl"),  # \t is a tab, in silence
        (r"meshes\new.stl", "meshes/new.stl"),
        (r"meshes\box.stl", "meshes/box.stl"),
        (r"meshes\flow_cell.stl", "meshes/flow_cell.stl"),
        (r"meshes\rod.stl", "meshes/rod.stl"),
    ],
)
def test_a_backslash_in_double_quotes_is_named(small_job, tmp_path, path, forward):
    with pytest.raises(JobError) as told:
        parse(small_job, tmp_path, path)
    said = str(told.value)
    assert "backslash" in said
    assert f'"{forward}"' in said
    assert f"'{path}' in single quotes" in said


def test_a_path_that_ends_in_a_backslash_opens_the_text(small_job, tmp_path):
    with pytest.raises(JobError, match="backslash begins an escape"):
        parse(small_job, tmp_path, "C:\\parts\\")


@pytest.mark.parametrize("path", ["C:/parts/valve.stl", r"C:\\parts\\tube.stl"])
def test_what_is_written_right_is_read(small_job, tmp_path, path):
    assert "parts" in parse(small_job, tmp_path, path).parts[0].mesh


def test_other_mistakes_get_no_word_of_backslashes(small_job, tmp_path):
    with pytest.raises(JobError) as told:
        parse_job(small_job().replace("[grid]", "[grid"), name="t", folder=tmp_path)
    assert "backslash" not in str(told.value)
