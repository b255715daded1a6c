"""`lightlathe help hdf5` names everything that a result and a study hold, with its type and axes."""

import re

import h5py
import pytest

import lightlathe as ll
from lightlathe.cli.help import topics
from lightlathe.cli.main import main

TEXT = " ".join(topics()["hdf5"].split())
LISTED_ELSEWHERE = ("quality", "log", "log_before", "runs/0000/figures", "runs/0000/facts", "runs/0000/log")
AXES = {"dims", "units", "meaning", "full", "sha256_of_pieces", "checksums_sha256"}


def unnamed(path):
    """Groups, datasets and attributes of the file that the text does not have in backticks."""
    named = {part for word in re.findall(r"`([\w/*]+)`", TEXT) for part in word.split("/")}
    missing = []

    def look(place, found):
        if place.startswith(LISTED_ELSEWHERE):
            return
        last = "NNNN" if re.fullmatch(r"\d{4}", place.rpartition("/")[2]) else place.rpartition("/")[2]
        missing.extend(place if name == last else f"{place}: {name}"
                       for name in [last, *found.attrs] if name not in named | AXES)  # fmt: skip

    with h5py.File(path) as file:
        missing += [name for name in file.attrs if name not in named | AXES]
        file.visititems(look)
    return missing


@pytest.fixture
def result(small_job, tmp_path):
    ll.write_result(ll.design(ll.load_job(_written(small_job, tmp_path))), tmp_path / "r.h5")
    return tmp_path / "r.h5"


def _written(small_job, folder):
    (folder / "job.toml").write_text(small_job(iterations=2))
    return folder / "job.toml"


def test_of_a_result(result):
    assert unnamed(result) == []


def test_the_types_and_axes_are_those_that_are_said(result):
    with h5py.File(result) as file:
        found = {name: (str(file[name].dtype), list(file[name].attrs["dims"])) for name in
                 ("part/coverage", "part/judged", "patterns/levels", "patterns/angle_rad", "prediction/dose",
                  "optics/offset_mm", "part/surface/vertices_mm")}  # fmt: skip
    said = dict.fromkeys(found, "")
    for name in found:
        last = name.rpartition("/")[2]
        at = re.search(rf"`(?:[\w/]+/)?{last}`[^:.]*?, (\w+)(?: or \w+)? \[([\w,]+)\]", TEXT)
        assert at, name
        said[name] = (at[1], at[2].split(","))
    assert said == found


def test_a_name_that_is_not_in_the_text_is_found(result):
    with h5py.File(result, "r+") as file:
        file["part"].create_dataset("colour", data=1.0)
        file["grid"].attrs["tilt"] = 1.0
    assert set(unnamed(result)) == {"part/colour", "grid: tilt"}


def test_of_a_study(small_job, tmp_path):
    _written(small_job, tmp_path)
    (tmp_path / "study.toml").write_text(
        '[study]\njobs = ["job.toml"]\nrepeats = 1\nbound_iterations = 0\nvary = { "design.loss" = ["gap_hinge"] }\n'
    )
    assert main(["compare", str(tmp_path / "study.toml"), "-o", str(tmp_path / "s.study.h5")]) == 0
    assert unnamed(tmp_path / "s.study.h5") == []
