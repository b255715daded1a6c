"""Grey images as one-bit frames: as much light, spread evenly in time and over the picture, at the right times."""

import json

import numpy as np
import pytest
from PIL import Image

from lightlathe import pipeline
from lightlathe.errors import JobError
from lightlathe.export.planes import phases, planes_of
from lightlathe.feasibility import check
from lightlathe.feasibility.timing import fitting_angles, fitting_seconds, frames_per_plane
from lightlathe.job import parse_job
from lightlathe.projector import Codebook, Linear, Measured
from lightlathe.result import read_result, write_result
from odd_jobs import disc


def job(folder, *lines, changes=()):
    return parse_job(disc(("rows = 20", "\n".join(("rows = 20", *lines))), *changes), name="disc", folder=folder)


@pytest.mark.parametrize("planes", [2, 3, 8, 24, 255])
def test_a_level_is_lit_in_as_many_frames(planes):
    """Every level, at every phase; between two lit frames, round the turn, lie planes / k, rounded down or up."""
    levels = np.arange(planes + 1)[:, None].repeat(200, 1)
    frames = np.stack(list(planes_of(levels, planes)))
    np.testing.assert_array_equal(frames.sum(0), levels)
    for k in range(1, planes + 1):
        for pixel in range(0, 200, 23):
            lit = np.flatnonzero(frames[:, k, pixel])
            gaps = np.diff(np.append(lit, lit[0] + planes))
            assert {*gaps.tolist()} <= {planes // k, -(-planes // k)}


@pytest.mark.parametrize("planes", [3, 8, 24])
def test_each_frame_is_lit_as_evenly_as_the_image(planes):
    """Of an even image each frame has that share of its pixels lit, and so has each square of 8 x 8 of it, to 2 pixels;
    drawn at random squares would be off by 4, the standard deviation of 64 coins, and more."""
    random = np.random.default_rng(1)
    for k in range(1, planes):
        phase = phases(64, 96, planes)
        assert 0 <= phase.min() < phase.max() == planes - 1
        coins = random.random((planes, 64, 96)) < k / planes
        assert np.abs(in_squares(coins) - 64 * k / planes).max() > 3
        frames = np.stack(list(planes_of(np.full((64, 96), k), planes)))
        assert np.abs(in_squares(frames) - 64 * k / planes).max() <= 2
        assert np.abs(frames.mean((1, 2)) - k / planes).max() < 0.01


def in_squares(frames):
    """How many pixels are lit in each square of 8 x 8."""
    return frames.reshape(len(frames), 8, 8, 12, 8).sum((2, 4))


def test_levels_of_planes():
    assert Codebook.of(1, Linear(), 24).levels.tolist() == list(range(25))
    assert Codebook.of(1, Linear(), 24).full_scale == 24
    assert Codebook.of(1, Linear()).levels.tolist() == [0, 1]
    leaking = Codebook.of(1, Measured((0, 1), (1.0, 50.0)), 4)  # off is 0.02: a lit plane adds 0.98 / 4
    np.testing.assert_allclose(leaking.light, 0.02 + 0.245 * np.arange(5))


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """A design shown in 12 planes, from its file."""
    folder = tmp_path_factory.mktemp("planes")
    record = pipeline.design(job(folder, "bits = 1", "planes = 12", "frame_rate_hz = 144"))
    path = write_result(record, folder / "disc.lathe.h5")
    pipeline.frames(read_result(path), folder / "frames")
    manifest = json.loads((folder / "frames" / "manifest.json").read_text())
    return folder, record, manifest


def test_files_hold_the_levels_and_the_manifest_their_times(printed):
    folder, record, manifest = printed
    levels = record.patterns.fractions().numpy() * 12
    assert set(np.unique(np.rint(levels))) >= {0, 2, 3, 4}
    frames = manifest["frames"]
    assert len(frames) == 60 * 12 == len(list((folder / "frames").glob("*.png")))
    assert [f["file"] for f in frames] == sorted(f["file"] for f in frames)
    with Image.open(folder / "frames" / frames[0]["file"]) as image:
        assert (image.mode, image.size) == ("1", (40, 20))
    seen = np.stack([np.asarray(Image.open(folder / "frames" / f["file"])) for f in frames]).reshape(60, 12, 20, 40)
    whole = np.stack([record.patterns.field.padded(image) for image in np.rint(levels)])
    np.testing.assert_array_equal(seen.sum(1), whole.transpose(0, 2, 1)[:, ::-1])
    # 10 s, 60 images, 12 planes: each image 1/6 s and 6 degrees, each frame 1/72 s and half a degree
    assert (manifest["planes_per_image"], manifest["full_code"]) == (12, 1)
    assert manifest["dwell_s"] == pytest.approx(1 / 72)
    assert manifest["image_dwell_s"] == pytest.approx(1 / 6)
    assert manifest["frames_of_the_projector_each"] == pytest.approx(2)
    for n, frame in enumerate(frames):
        assert frame["starts_s"] == pytest.approx(n / 72)
        assert frame["scan_angle_from_deg"] == pytest.approx(-3 + n / 2)
        assert frame["scan_angle_deg"] == pytest.approx(-2.75 + n / 2)
        assert frame["scan_angle_to_deg"] == pytest.approx(-2.5 + n / 2)


def test_the_one_bit_frames_leave_the_dose_that_was_predicted(printed):
    """By code that shares nothing with the package, frame by frame. The prediction spreads each level over its image;
    found 0.3 % of the rms dose off, most of it the mean over an image taken in parts, as in test_frames_to_dose.py."""
    from test_frames_to_dose import dose_by_hand, off

    folder, record, _ = printed
    nx, ny, nz = record.part.grid.shape
    i, j = np.mgrid[:nx, :ny]
    x, y, z = ((n - (size - 1) / 2) * 0.25 for n, size in ((i, nx), (j, ny), (np.arange(nz), nz)))
    inside = np.hypot(x, y) <= 5.0
    predicted = record.prediction.dose.numpy()[inside]
    found = dose_by_hand(folder / "frames", x[inside], y[inside], z, exponent=1.0, parts=4)
    assert off(found, predicted) < 0.006
    assert off(1.01 * found, predicted) > 0.006


def test_more_planes_print_better(printed, tmp_path):
    """One plane is on or off; twelve of them come near eight bits."""
    _, record, _ = printed
    one, many = (pipeline.design(job(tmp_path, line)) for line in ("bits = 1", "bits = 8"))
    assert one.quality["window_relative"] < 0  # found -0.35, 0.154 and 0.156
    assert record.quality["window_relative"] > 0.9 * many.quality["window_relative"]


@pytest.mark.parametrize(
    ("seconds", "angles", "planes", "rate", "frames"),
    [
        (1.0, 60, 24, 60 * 24, 1.0),  # 24 one-bit patterns in each frame of 60 Hz
        (1.0, 180, 1, 60 * 3, 1.0),  # three 8-bit patterns in each frame of 60 Hz
        (12.0, 480, 1, 60, 1.5),
        (12.0, 360, 12, 1440, 4.0),
        (10.0, 600, 24, 1440, 1.0),
    ],
)
def test_frames_of_published_rates(seconds, angles, planes, rate, frames):
    """60 Hz = 24 one-bit or three 8-bit patterns a frame (data sheet of the DLP5500, Texas Instruments)."""
    assert frames_per_plane(seconds, angles, planes, rate) == pytest.approx(frames)


def test_the_nearest_that_fit_by_hand():
    """12 s at 60 Hz are 720 frames. 480 images would last 1.5: of the divisors of 720 360 lies nearest; or 8 or 16 s.
    With 24 planes at 1440 Hz 720 planes of one frame fit a turn too. 12.001 s are no whole number of frames."""
    assert fitting_angles(12, 480, 1, 60) == 360
    assert fitting_angles(12, 700, 1, 60) == 720
    assert fitting_angles(12, 480, 24, 1440) == 360
    assert fitting_angles(12.001, 480, 1, 60) is None
    assert fitting_angles(1, 480, 1, 59) is None  # 59 is prime, and a single image is not near
    assert fitting_seconds(12, 480, 1, 60) == pytest.approx(16)
    assert fitting_seconds(11, 480, 1, 60) == pytest.approx(8)
    assert fitting_seconds(0.1, 480, 24, 1440) == pytest.approx(8)  # not below one frame a plane


def test_the_check_has_a_line_on_frames(tmp_path):
    """The disc: 60 images in 10 s, 6 a second."""

    def asked(*lines):
        return check(job(tmp_path, *lines)).of("timing")

    assert asked() == []
    (reason,) = asked("frame_rate_hz = 60")
    assert (reason.level, reason.number) == ("will work", 10)
    assert "each image lasts 166.7 ms or 10 frames" in reason.text
    (reason,) = asked("frame_rate_hz = 50")
    assert reason.level == "marginal"
    assert "8.3333 frames: so some last a frame longer than others" in reason.text
    assert reason.change == "angles = 50 or seconds_per_turn = 9.6."  # divisors of 500; 60 images of 8 frames
    (reason,) = asked("frame_rate_hz = 120", "bits = 1", "planes = 24")
    assert "each one-bit plane (24 an image) lasts 6.944 ms or 0.83333 frames: shorter than" in reason.text
    assert reason.change == "angles = 50 or seconds_per_turn = 12."
    for line in ("angles = 50", "seconds_per_turn = 12"):
        key = line.split(" = ")[0]
        old = {"angles": "angles = 60", "seconds_per_turn": "seconds_per_turn = 10"}[key]
        better = job(tmp_path, "frame_rate_hz = 120", "bits = 1", "planes = 24", changes=[(old, line)])
        assert check(better).of("timing")[0].level == "will work"


def test_the_check_counts_the_levels_of_planes(tmp_path):
    assert check(job(tmp_path, "bits = 1", "planes = 7")).of("levels") == []
    (reason,) = check(job(tmp_path, "bits = 1", "planes = 3")).of("levels")
    assert reason.text.startswith("3 planes of one bit: a pixel has 4 levels")
    (reason,) = check(job(tmp_path, "bits = 1")).of("levels")
    assert "planes = 7 or more" in reason.change


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (("planes = 24",), "planes is 24 and bits is 8; expected planes with bits = 1 alone"),
        (("bits = 1", "planes = 0"), "planes is 0; expected 1 to 255"),
        (("bits = 1", "planes = 256"), "planes is 256; expected 1 to 255"),
        (("bits = 1", "planes = -3"), "planes is -3; expected 1 to 255"),
        (("bits = 1", "planes = 2.5"), "planes is 2.5; expected a whole number"),
        (("frame_rate_hz = 0",), "frame_rate_hz is 0.0; expected a number above 0"),
        (("frame_rate_hz = -60",), "frame_rate_hz is -60.0; expected a number above 0"),
        (("frame_rate_hz = 1e7",), "frame_rate_hz is 10000000.0; expected 1e-6 to 1e6 Hz"),
        (("frame_rate_hz = inf",), "frame_rate_hz is inf; expected a finite number"),
        (('frame_rate_hz = "60 Hz"',), "frame_rate_hz is '60 Hz'; expected a number"),
        (("frame_rate = 60",), "unknown key 'frame_rate'. Did you mean 'frame_rate_hz'"),
    ],
)
def test_hostile_keys_of_planes_and_rates(tmp_path, lines, words):
    with pytest.raises(JobError, match=rf"\[light\]: {words}"):
        job(tmp_path, *lines)
