"""The result file: names, units and axes as documented, whole or not there, and read back as written."""

import h5py
import numpy as np
import pytest
import torch

from lightlathe.errors import ResultError
from lightlathe.result import partial_path, read_partial, read_result, write_partial, write_result
from lightlathe.result.partial import state_bytes
from lightlathe.result.storage import whole_file
from sealing import as_before, sealed_anew


def test_read_back_as_written(record, tmp_path):
    again = read_result(write_result(record, tmp_path / "valve.h5"))
    assert (again.name, again.job_toml, again.settings) == (record.name, record.job_toml, record.settings)
    assert (again.facts, again.log, again.warnings) == (record.facts, record.log, record.warnings)
    assert again.part.grid == record.part.grid
    torch.testing.assert_close(again.part.coverage, record.part.coverage, rtol=0, atol=0.5 / 255)
    assert torch.equal(again.part.judged, record.part.judged)
    assert torch.equal(again.patterns.levels, record.patterns.levels)
    assert again.patterns.exposure_s == record.patterns.exposure_s == 9.0
    torch.testing.assert_close(again.prediction.dose, record.prediction.dose, rtol=2**-13, atol=0)  # as documented
    assert torch.equal(again.prediction.solid, record.prediction.solid)
    assert again.quality["iou"] == 0.9
    assert np.isnan(again.quality["window_relative"])


def test_h5py_alone_can_check_a_print(record, tmp_path):
    """Every documented name is there; every dataset states units and one name per axis."""
    with h5py.File(write_result(record, tmp_path / "valve.h5"), "r") as file:
        assert file.attrs["format"] == "lightlathe-result"
        assert {"format_version", "created_utc", "program_version", "torch_version", "device", "seed"} <= set(
            file.attrs
        )
        assert {"voxel_mm", "shape", "vial_radius_mm"} <= set(file["grid"].attrs)
        levels = file["patterns/levels"]
        assert {"full_scale", "pixel_mm", "irradiance_mw_cm2", "dwell_s", "turns"} <= set(levels.attrs)
        datasets = {}
        file.visititems(lambda name, item: datasets.update({name: item}) if isinstance(item, h5py.Dataset) else None)
        for name in (
            "job/toml",
            "job/resolved",
            "part/coverage",
            "part/judged",
            "patterns/levels",
            "patterns/angle_rad",
            "prediction/dose",
            "prediction/solid",
            "log/iteration",
            "log/loss",
        ):
            assert name in datasets
        for name, data in datasets.items():
            assert "units" in data.attrs, name
            assert len(data.attrs["dims"]) == data.ndim, name
        solid = file["prediction/dose"][()] > 45
        assert (solid == file["prediction/solid"][()].astype(bool)).all()


def test_sixteen_bit_levels(record, tmp_path):
    import dataclasses

    levels = torch.tensor([[[0], [65535]]]).to(torch.uint16)
    patterns = dataclasses.replace(record.patterns, levels=levels, angle_rad=torch.zeros(1).double(), full_scale=65535)
    again = read_result(write_result(dataclasses.replace(record, patterns=patterns), tmp_path / "a.h5"))
    assert again.patterns.fractions().flatten().tolist() == [0.0, 1.0]


def test_a_half_written_file_never_carries_the_name(tmp_path):
    target = tmp_path / "valve.h5"

    def write_and_fail():
        with whole_file(target, "lightlathe-result") as file:
            file["x"] = 1
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        write_and_fail()
    assert list(tmp_path.iterdir()) == []


def test_what_is_not_a_result_is_named(record, tmp_path):
    with pytest.raises(ResultError, match="no such file"):
        read_result(tmp_path / "none.h5")
    (tmp_path / "text.h5").write_text("hello")
    with pytest.raises(ResultError, match=r"text.h5: is a text file; expected a result \(HDF5\)\."):
        read_result(tmp_path / "text.h5")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file.attrs["format"] = "something-else"
    with pytest.raises(ResultError, match="'something-else'; expected 'lightlathe-result'"):
        read_result(tmp_path / "other.h5")
    path = write_result(record, tmp_path / "new.h5")
    with h5py.File(path, "r+") as file:
        file.attrs["format_version"] = 99
    with pytest.raises(ResultError, match="format version 99"):
        read_result(path)
    with h5py.File(path, "r+") as file:
        file.attrs["format_version"] = 1
        del file["patterns/levels"]
    with pytest.raises(ResultError, match="incomplete"):
        read_result(path)


def _settings(text):
    def change(file):
        del file["job/resolved"]
        file["job/resolved"] = text

    return change


def _attribute(name, value):
    return lambda file: file.attrs.update({name: value})


def _levels_become_a_group(file):
    del file["patterns/levels"]
    file.create_group("patterns/levels").attrs["full_scale"] = 255


def _values(path, value):
    def change(file):
        file[path][...] = value

    return change


def _shorter(path):
    def change(file):
        values, attrs = file[path][()][:-1], dict(file[path].attrs)
        del file[path]
        file.create_dataset(path, data=values).attrs.update(attrs)

    return change


DAMAGES = [
    _settings('{"resin": {'),
    _settings("[1, 2]"),
    _settings("[" * 3000),
    _settings(7),
    _settings(b"\xff\xfe"),
    _attribute("format_version", "one"),
    _attribute("format_version", [1, 2]),
    _attribute("format_version", float("inf")),
    _attribute("warnings", "[broken"),
    _attribute("warnings", "{}"),
    _attribute("name", 3),
    _levels_become_a_group,
    _shorter("patterns/angle_rad"),
    _shorter("part/judged"),
    _shorter("log/loss"),
    _values("patterns/angle_rad", float("nan")),
    _values("prediction/dose", float("inf")),
    _values("part/judged", 3),
    lambda file: file["quality"].attrs.update({"iou": "good"}),
    lambda file: file["grid"].attrs.update({"voxel_mm": -0.25}),
    lambda file: file["grid"].attrs.update({"shape": [4, 5]}),
    lambda file: file["grid"].attrs.update({"shape": [4.5, 5, 3]}),
    lambda file: file["patterns/levels"].attrs.update({"turns": 0}),
    lambda file: file["patterns/levels"].attrs.update({"dwell_s": float("nan")}),
    lambda file: file["patterns/levels"].attrs.update({"full_scale": 2**40}),
    lambda file: file.attrs.__delitem__("format_version"),
    lambda file: file.__delitem__("grid"),
]


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("opened", [as_before, lambda path: h5py.File(path, "r+")], ids=["before", "sealed"])
def test_damage_is_one_clear_error(record, tmp_path, damage, opened):
    """Found by the checksums; and by its form in a file of before, which has none."""
    path = write_result(record, tmp_path / "valve.h5")
    with opened(path) as file:
        damage(file)
    with pytest.raises(ResultError, match=r"valve\.h5: (damaged|incomplete) result file"):
        read_result(path)


def test_levels_above_full_scale_are_refused(record, tmp_path):
    """A projector of 200 levels shows no level 201; a frame of it would wrap round or stay dark."""
    path = write_result(record, tmp_path / "valve.h5")
    with sealed_anew(path) as file:
        file["patterns/levels"].attrs["full_scale"] = 200
        file["patterns/levels"][0, 0, 0] = 201
    with pytest.raises(ResultError, match=r"levels go up to .*; expected 200 at most"):
        read_result(path)


def test_a_state_of_another_version_is_refused(record, tmp_path):
    path = partial_path(tmp_path / "valve.h5")
    write_partial(path, record.job_toml, record.settings, {"iteration": 7}, record.log)
    for version in (1, 99):
        with sealed_anew(path) as file:
            file.attrs["state_version"] = version
        with pytest.raises(ResultError, match=rf"another version of Lightlathe \(state {version}; expected \d+\)"):
            read_partial(path, record.settings)
    with sealed_anew(path) as file:
        del file.attrs["state_version"]  # as files were before it
    with pytest.raises(ResultError, match="state 1; expected"):
        read_partial(path, record.settings)


def test_a_damaged_state_is_one_clear_error(record, tmp_path):
    path = partial_path(tmp_path / "valve.h5")
    write_partial(path, record.job_toml, record.settings, {"iteration": 7}, record.log)
    with h5py.File(path, "r+") as file:
        file["state"].attrs["iteration"] = "{"
    with pytest.raises(ResultError, match="damaged"):
        read_partial(path, record.settings)


def test_files_of_another_kind_say_what_to_do(record, tmp_path):
    path = partial_path(tmp_path / "valve.h5")
    with pytest.raises(ResultError, match="no unfinished design to go on from"):
        read_partial(path, record.settings)
    write_partial(path, record.job_toml, record.settings, {"iteration": 7}, record.log)
    with pytest.raises(ResultError, match="unfinished design: `lightlathe design JOB --resume`"):
        read_result(path)


def test_a_record_in_a_python_session_is_one_line(record):
    assert repr(record).startswith("Record('")
    assert len(repr(record)) < 120


def test_state_of_an_unfinished_run(record, tmp_path):
    path = partial_path(tmp_path / "valve.lathe.h5")
    state = {"patterns": torch.rand(2, 3, 4), "iteration": 7, "rate": 0.5}
    write_partial(path, record.job_toml, record.settings, state, record.log)
    again, log = read_partial(path, record.settings)
    assert torch.equal(again["patterns"], state["patterns"])
    assert (again["iteration"], again["rate"], log) == (7, 0.5, record.log)
    longer = record.settings | {"design": {"iterations": 99}}
    read_partial(path, longer)  # more iterations are the reason to go on
    other = record.settings | {"resin": {"kind": "threshold", "absorption_per_mm": 0.2}}
    with pytest.raises(ResultError, match=r"other settings in \[resin\]"):
        read_partial(path, other)
    with pytest.raises(ResultError, match="lightlathe-state"):
        read_result(path)


def test_a_job_in_place_of_a_result_is_recognised(tmp_path):
    path = tmp_path / "valve.toml"
    path.write_text("[part]\n")
    with pytest.raises(ResultError, match=r"is a job .*; expected a result .*`lightlathe design .*valve\.toml` makes"):
        read_result(path)


def test_equal_tensors_of_a_state_are_written_once_and_read_apart(record, tmp_path):
    patterns = torch.rand(20, 30, 40)
    other = patterns.clone()
    other[0, 0, 0] = -other[0, 0, 0]
    state = {
        "best": patterns,
        "last": patterns,
        "solver": {"trial": patterns.clone(), "patterns": other, "flat": patterns.flatten(), "step": torch.ones(())},
        "iteration": 3,
    }
    path = partial_path(tmp_path / "valve.h5")
    write_partial(path, record.job_toml, record.settings, state, record.log)
    with h5py.File(path) as file:
        assert set(file["state"]) == {"best", "solver"}
        assert set(file["state/solver"]) == {"patterns", "flat", "step"}
    again, _ = read_partial(path, record.settings)
    for name, value in (("best", patterns), ("last", patterns)):
        assert torch.equal(again[name], value)
    for name, value in state["solver"].items():
        assert torch.equal(again["solver"][name], value)
    again["best"].zero_()
    assert torch.equal(again["last"], patterns)
    assert torch.equal(again["solver"]["trial"], patterns)
    assert state_bytes(state) == 4 * (24000 * 3 + 1)  # the same memory counts once


def test_a_tensor_equal_to_nothing_is_damage(record, tmp_path):
    path = partial_path(tmp_path / "valve.h5")
    for where in ("solver", "nowhere"):
        write_partial(path, record.job_toml, record.settings, {"solver": {"step": torch.ones(2)}}, record.log)
        with sealed_anew(path) as file:
            file["state"].attrs["best"] = f'{{"equal_to": "{where}"}}'
        with pytest.raises(ResultError, match=f"state/{where}"):
            read_partial(path, record.settings)
