"""A measured response: read from a CSV file, undone in the frames once, kept in the result."""

import json

import h5py
import numpy as np
import pytest
from PIL import Image

from lightlathe import pipeline
from lightlathe.errors import JobError
from lightlathe.job import job_from, parse_job, resolved
from lightlathe.projector import Codebook, Measured, Power, Srgb
from lightlathe.result import read_result, write_result
from odd_jobs import disc

CODES = (0, 20, 64, 128, 200, 255)
LIGHT = (0.4, 1.1, 9.0, 37.5, 110.0, 180.0)  # any unit; a black picture is not quite dark


def csv(folder, codes=CODES, light=LIGHT, head="code,light", name="response.csv"):
    text = "\n".join([head, *(f"{c},{v}" for c, v in zip(codes, light, strict=True))]) + "\n"
    (folder / name).write_text(text)
    return text


def job(folder, response='{ kind = "measured", file = "response.csv" }', *changes):
    text = disc(("rows = 20", f"rows = 20\nresponse = {response}"), *changes)
    return parse_job(text, name="disc", folder=folder)


def test_light_is_linear_between_the_codes_and_relative_to_the_highest(tmp_path):
    """By hand: code 96 lies midway between 64 and 128, so its light is (9 + 37.5) / 2 of 180."""
    csv(tmp_path)
    response = job(tmp_path).light.response
    found = response.light(np.array([0, 64, 96, 255]) / 255)
    np.testing.assert_allclose(found, [0.4 / 180, 0.05, 23.25 / 180, 1.0], rtol=1e-12)


@pytest.mark.parametrize(("curve", "at_128"), [(Srgb(), 0.21586), (Power(2.2), 0.21952)])
def test_a_measurement_of_every_code_is_the_curve_itself(tmp_path, curve, at_128):
    """IEC 61966-2-1 and the power 2.2 (common practice) at code 128, to five digits; in any unit."""
    light = 3.7 * curve.light(np.arange(256) / 255)
    csv(tmp_path, range(256), light)
    found = job(tmp_path).light.response.light(np.arange(256) / 255)
    np.testing.assert_allclose(found, curve.light(np.arange(256) / 255), rtol=1e-9, atol=1e-15)
    assert found[128] == pytest.approx(at_128, abs=5e-6)


def test_order_and_separator_are_the_files_own(tmp_path):
    (tmp_path / "response.csv").write_bytes(b"\xef\xbb\xbf# meter 3\r\nLight;Code\r\n0;0\r\n\r\n0.25;128\r\n1;255\r\n")
    assert job(tmp_path).light.response == Measured((0, 128, 255), (0.0, 0.25, 1.0))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "response.csv': is empty"),
        ("code,light\n", "0 rows; expected a head with the columns code and light"),
        ("code,light\n0,0\n", "1 rows; expected a head"),
        ("value,light\n0,0\n255,1\n", "line 1: the head is 'value, light'; expected a head with the columns"),
        ("0,0\n255,1\n", "line 1: the head is '0, 0'"),
        ("code,light,light\n0,0,0\n255,1,1\n", "line 1: the head"),
        ("code,light\n0,0\n64,1\n64,2\n255,3\n", "line 4: code 64 follows 64; expected rising codes"),
        ("code,light\n0,0\n128,2\n64,1\n255,3\n", "line 4: code 64 follows 128"),
        ("code,light\n0,0\n# noisy\n64,2\n128,1\n255,3\n", "line 5: light falls from 2 at code 64 to 1 at code 128"),
        ("code,light\n0,0\n64.5,1\n255,3\n", "line 3: code is '64.5'; expected a whole number"),
        ("code,light\n0,0\n-1,1\n255,3\n", "line 3: code is '-1'; expected a number of 0 or more"),
        ("code,light\n0,-0.1\n255,3\n", "line 2: light is '-0.1'.*Subtract what the meter shows in the dark"),
        ("code,light\n0,0\n255,nan\n", "line 3: light is 'nan'; expected a number"),
        ("code,light\n0,0\n255,inf\n", "line 3: light is 'inf'; expected a number"),
        ("code,light\n0,0\n255,1_0\n", "line 3: light is '1_0'; expected a number"),
        ("code;light\n0;0\n255;1,5\n", "line 3: light is '1,5'; expected a number.*decimals with a point"),
        ("code,light\n0,0\n255,1,5\n", "line 3: 3 cells; expected two"),
        ("code,light\n0,0\n255\n", "line 3: 1 cells; expected two"),
        ("code,light\n5,0\n255,1\n", "line 2: the first code is 5; expected 0"),
        ("code,light\n0,0\n255,0\n", "light is 0 at every code"),
        ("code,light\n0,0\n240,1\n", "ends at code 240, and light is missing at code 255"),
        ("code,light\n0,0\n1023,1\n", "codes up to 1023, and bits = 8 has 255 at most.*Is bits = 10 meant"),
        ("code,light\n0,0\n70000,1\n", "line 3: code is '70000'"),
    ],
)
def test_what_is_no_measurement_is_one_error_with_the_line(tmp_path, text, words):
    (tmp_path / "response.csv").write_text(text)
    with pytest.raises(JobError, match=rf"\[light.*{words}"):
        job(tmp_path)


@pytest.mark.parametrize(
    ("response", "words"),
    [
        ('{ kind = "measured", file = "none.csv" }', "there is no file '.*none.csv'; paths are relative"),
        ('{ kind = "measured", file = "" }', "'' is no path"),
        ('{ kind = "measured", file = 3 }', "file is 3; expected the name of a CSV file"),
        ('{ kind = "measured", file = "." }', "there is no file"),
        ('"measured"', "file is missing; expected the name of a CSV file"),
        ('{ kind = "measured" }', "file is missing"),
        ('{ kind = "measured", file = "response.csv", code = [0, 255] }', "file and code are given"),
        ('{ kind = "measured", file = "response.csv", gamma = 2 }', "unknown key 'gamma'"),
        ('{ kind = "measured", code = [0, 255] }', "key 'measured_light' is missing"),
        ('{ kind = "measured", code = [0, 255], measured_light = [0, 1, 2] }', "2 codes and 3 values of light"),
        ('{ kind = "measured", code = [0, 9, 9, 255], measured_light = [0, 1, 2, 3] }', "expected rising codes"),
        ('{ kind = "measured", code = [0, 9, 255], measured_light = [0, 2, 1] }', "that never fall"),
        ('{ kind = "measured", code = [1, 255], measured_light = [0, 1] }', "code goes from 1 to 255"),
    ],
)
def test_hostile_keys(tmp_path, response, words):
    csv(tmp_path)
    with pytest.raises(JobError, match=words):
        job(tmp_path, response)


def test_binary_and_pipes_are_refused(tmp_path):
    import os

    (tmp_path / "response.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(JobError, match="byte 0 is not UTF-8"):
        job(tmp_path)
    (tmp_path / "response.csv").unlink()
    os.mkfifo(tmp_path / "response.csv")  # reading one would wait for ever
    with pytest.raises(JobError, match="there is no file"):
        job(tmp_path)


def test_settings_hold_the_values(tmp_path):
    """A job made from them needs no file; the text of the job file still names it."""
    csv(tmp_path)
    one = job(tmp_path)
    (tmp_path / "response.csv").unlink()
    again = job_from(json.loads(json.dumps(resolved(one))), name="disc", folder=tmp_path)
    assert again.light == one.light
    assert "response.csv" in one.text


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """A design with the response above, written, and its measurement then thrown away."""
    folder = tmp_path_factory.mktemp("measured")
    csv(folder)
    record = pipeline.design(
        job(folder, '{ kind = "measured", file = "response.csv" }', ("iterations = 12", "iterations = 5"))
    )
    path = write_result(record, folder / "disc.lathe.h5")
    (folder / "response.csv").unlink()
    return folder, record, path


def test_frames_show_the_light_of_the_levels_once(printed):
    """codes of the frames -> light by np.interp over the measured points -> the levels of the result, read by h5py."""
    folder, _, path = printed
    manifest = json.loads(pipeline.frames(read_result(path), folder / "frames").read_text())
    images = np.stack([np.asarray(Image.open(folder / "frames" / f["file"])) for f in manifest["frames"]])
    with h5py.File(path) as file:
        levels = file["patterns/levels"][:].astype(float) / file["patterns/levels"].attrs["full_scale"]
    light = np.interp(images, CODES, LIGHT) / LIGHT[-1]
    wanted = levels.transpose(0, 2, 1)[:, ::-1]
    assert wanted.max() > 0.5
    np.testing.assert_allclose(light, wanted, atol=0.5 / 65535 + 1e-12)  # levels are stated in 65535ths
    twice = np.interp(np.interp(wanted * LIGHT[-1], LIGHT, CODES), CODES, LIGHT) / LIGHT[-1]
    undone_twice = np.interp(np.interp(images / 255 * LIGHT[-1], LIGHT, CODES), CODES, LIGHT) / LIGHT[-1]
    assert np.abs(twice - wanted).max() < 0.003  # the dark level aside, the curve can be inverted
    assert np.abs(undone_twice - wanted).max() > 0.05  # and doing it twice would be seen


def test_predictions_take_the_file_alone(printed):
    _, record, path = printed
    again = pipeline.predict(read_result(path), finer=False)
    np.testing.assert_allclose(again.dose, record.prediction.dose, rtol=1e-5, atol=1e-4)  # float32 sums
    with h5py.File(path) as file:
        settings = json.loads(file["job/resolved"][()])
    assert settings["light"]["response"]["code"] == list(CODES)
    assert list(settings["files"]) == ["response.csv"]


def test_a_result_that_names_a_file_opens_none(printed, tmp_path):
    """The settings of a stranger's result may name any file of the reader's machine."""
    import dataclasses

    from lightlathe.errors import ResultError

    _, record, _ = printed
    csv(tmp_path)
    response = {"kind": "measured", "file": str(tmp_path / "response.csv")}
    light = {**record.settings["light"], "response": response}
    hostile = dataclasses.replace(record, settings={**record.settings, "light": light})
    with pytest.raises(ResultError, match="unknown key 'file'"):
        pipeline.predict(hostile)


def test_levels_of_a_measured_response_are_the_light_of_their_codes(tmp_path):
    csv(tmp_path)
    response = job(tmp_path).light.response
    book = Codebook.of(8, response)
    assert book.full_scale == 65535
    np.testing.assert_allclose(book.levels / 65535, response.light(np.arange(256) / 255), atol=0.5 / 65535 + 1e-12)
