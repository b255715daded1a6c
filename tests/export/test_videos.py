"""Videos, decoded by Debian's ffmpeg: every level, every frame, the rate, the size."""

import json
import re
import shutil
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest
import torch
from image_sets import images_of, random_levels, upright

from lightlathe.errors import ResultError
from lightlathe.export.mounting import Mounting
from lightlathe.export.video import write_video

pytest.importorskip("av")
FFMPEG = shutil.which("ffmpeg") and shutil.which("ffprobe")
pytestmark = pytest.mark.skipif(not FFMPEG, reason="needs the programs ffmpeg and ffprobe (apt-get install ffmpeg)")

CODINGS = [(".mkv", None, 0), (".mp4", "h264_lossless", 0), (".mp4", None, 1)]  # ending, coding, off by at most


def decoded(path):
    """(frame, row, column) grey by ffmpeg, range tags applied; and what ffprobe says of the stream."""
    probe = ["ffprobe", "-v", "error", "-select_streams", "v", "-show_streams", "-of", "json", str(path)]
    stream = json.loads(subprocess.run(probe, capture_output=True, check=True, timeout=300).stdout)["streams"][0]
    command = [
        "ffmpeg",
        "-v",
        "error",
        "-i",
        str(path),
        "-fps_mode",
        "passthrough",
        "-pix_fmt",
        "gray",
        "-f",
        "rawvideo",
        "-",
    ]
    raw = subprocess.run(command, capture_output=True, check=True, timeout=300).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, stream["height"], stream["width"]), stream


def compare(frames, wanted, off_by):
    """Equal within `off_by`, black where the video is larger."""
    rows, columns = wanted.shape[1:]
    assert len(frames) == len(wanted)
    assert np.abs(frames[:, :rows, :columns].astype(int) - wanted).max() <= off_by
    assert frames[:, rows:].max(initial=0) <= off_by
    assert frames[:, :, columns:].max(initial=0) <= off_by


@pytest.mark.parametrize(("ending", "coding", "off_by"), CODINGS)
def test_every_level_comes_back(tmp_path, ending, coding, off_by):
    """137 images of noise, 0 to 255 all there, of odd size, in a turn of 7 s."""
    levels = random_levels((137, 63, 41))
    path, notes = write_video(images_of(levels), tmp_path / f"v{ending}", coding)
    frames, stream = decoded(path)
    compare(frames, upright(levels), off_by)
    padded = (64, 42) if off_by else (63, 41)
    assert (stream["width"], stream["height"]) == padded
    assert any("padded with black to 64 x 42" in note for note in notes) == bool(off_by)
    assert Fraction(stream["avg_frame_rate"]) == Fraction(137, 7)
    assert stream["color_range"] == "pc"
    manifest = json.loads((tmp_path / f"v{ending}.json").read_text())
    assert (manifest["frame_rate"], manifest["frames_in_file"], len(manifest["frames"])) == ("137/7", 137, 137)
    assert manifest["caution"] == "light"
    assert sorted(p.name for p in tmp_path.iterdir()) == [path.name, f"{path.name}.json"]


@pytest.mark.parametrize(("ending", "coding", "off_by"), CODINGS)
def test_frames_of_1919_by_1079(tmp_path, ending, coding, off_by):
    """A disc of every level, which moves from image to image."""
    levels = torch.zeros((4, 1919, 1079), dtype=torch.uint8)
    for n in range(4):
        levels[n, 300 + n : 1500 + n, 200:900] = random_levels((1, 1200, 700), seed=n)[0]
    path, _ = write_video(images_of(levels), tmp_path / f"v{ending}", coding)
    compare(decoded(path)[0], upright(levels), off_by)


@pytest.mark.parametrize(("ending", "coding", "off_by"), CODINGS)
def test_twelve_thousand_frames_and_a_black_one(tmp_path, ending, coding, off_by):
    """The whole exposure: a player that holds the last image holds black. 4000 images in 100 s, 40 a second."""
    levels = random_levels((4000, 12, 10)).clamp(min=30)
    path, notes = write_video(images_of(levels, turn_s=100.0, written=3), tmp_path / f"v{ending}", coding)
    frames, stream = decoded(path)
    compare(frames[:-1], np.tile(upright(levels), (3, 1, 1)), off_by)
    assert frames[-1].max() == 0
    assert stream["r_frame_rate"] == "40/1"
    assert "all 3 turns of the exposure" in notes[0]
    assert notes[-1].startswith("a black frame follows")


def test_the_comparison_can_fail(tmp_path):
    levels = random_levels((5, 16, 12))
    path, _ = write_video(images_of(levels), tmp_path / "v.mkv")
    frames = decoded(path)[0].copy()
    frames[3, 2, 1] ^= 1
    with pytest.raises(AssertionError):
        compare(frames, upright(levels), 0)


TURNS = [(480, 12.0), (480, 35 / 3), (360, 30.03), (7, 0.3), (479, 11.1111), (997, 12.345678)]


@pytest.mark.parametrize("ending", [".mkv", ".mp4"])
@pytest.mark.parametrize(("images", "turn_s"), TURNS)
def test_the_rate_is_images_over_the_time_of_a_turn(tmp_path, ending, images, turn_s):
    """As a fraction, by ffprobe; or the time to set on the stage is said, that of the file's own rate. A .mkv gives
    rates as whole nanoseconds an image, of which readers make small fractions; an .mp4 has them as they are."""
    path, notes = write_video(images_of(random_levels((images, 16, 12)), turn_s=turn_s), tmp_path / f"v{ending}")
    rate = Fraction(decoded(path)[1]["avg_frame_rate"])
    said = [float(re.search(r"stage to ([\d.]+) s a turn", note)[1]) for note in notes if "clock" in note]
    if ending == ".mkv" and turn_s in (11.1111, 12.345678):
        assert float(images / rate) == pytest.approx(said[0], rel=1e-11)
        assert said[0] != turn_s
        assert said[0] == pytest.approx(turn_s, rel=1e-6)
    else:
        assert rate == images / Fraction(turn_s).limit_denominator(10**6)
        assert not said


@pytest.mark.parametrize(("bits", "top"), [(1, 1), (4, 15), (6, 63)])
def test_fewer_bits_are_spread_over_all_of_a_screens(tmp_path, bits, top):
    """Full code is white, and the highest bits of a grey are the code."""
    levels = random_levels((9, 16, 12), top)
    path, _ = write_video(images_of(levels, bits=bits), tmp_path / "v.mkv")
    frames = decoded(path)[0]
    assert frames.max() == 255
    np.testing.assert_array_equal(frames >> (8 - bits), upright(levels))


def test_planes_and_mounting(tmp_path):
    """60 images of 12 planes in 10 s: 72 frames a second of 0 and 255, turned as the frames are."""
    levels = torch.from_numpy(np.random.default_rng(2).integers(0, 13, (60, 8, 4)))
    images = images_of(levels, turn_s=10.0, bits=1, top=12, planes=12, mounting=Mounting("up_down", 270))
    path, _ = write_video(images, tmp_path / "v.mkv")
    frames, stream = decoded(path)
    assert set(np.unique(frames)) == {0, 255}
    assert Fraction(stream["avg_frame_rate"]) == 72
    lit = (frames // 255).reshape(60, 12, 8, 4).sum(1)
    # upside down, then turned clockwise by 270 degrees, so left by 90: the last column becomes the first row
    np.testing.assert_array_equal(lit, upright(levels)[:, ::-1].transpose(0, 2, 1)[:, ::-1])


@pytest.mark.parametrize(
    ("name", "coding", "words"),
    [
        ("v.avi", None, r"v\.avi: expected the name of a video that ends in \.mkv or \.mp4"),
        ("v.mp4", "ffv1", r"v\.mp4: ffv1 goes into files that end in \.mkv"),
        ("v.mp4", "vp9", r"coding 'vp9' is unknown; expected ffv1, h264_lossless or h264"),
        ("none/v.mp4", None, "Is there such a folder"),
        ("taken.mp4", None, "taken.mp4: is a text file; expected a new name"),
    ],
)
def test_what_cannot_be_written_is_refused(tmp_path, name, coding, words):
    (tmp_path / "taken.mp4").write_text("another program's")
    with pytest.raises(ResultError, match=words):
        write_video(images_of(random_levels((5, 16, 12))), tmp_path / name, coding)
    assert [p.name for p in tmp_path.iterdir()] == ["taken.mp4"]


def test_more_than_8_bits_are_refused(tmp_path):
    with pytest.raises(ResultError, match="a video shows 8 bits a pixel, and the codes of this projector have 12"):
        write_video(images_of(random_levels((5, 16, 12), 4095), bits=12), tmp_path / "v.mkv")


def test_a_mkv_of_too_many_frames_a_second_is_refused(tmp_path):
    """Its time stamps are milliseconds; an .mp4 has the rate exactly."""
    images = images_of(random_levels((2000, 16, 12)), turn_s=1.0)
    with pytest.raises(ResultError, match=r"2000 frames a second are too many for a \.mkv"):
        write_video(images, tmp_path / "v.mkv")
    path, notes = write_video(images, tmp_path / "v.mp4", "h264_lossless")
    assert Fraction(decoded(path)[1]["avg_frame_rate"]) == 2000
    assert "no usual player shows 2000 images a second" in notes[1]


def test_without_its_library_a_video_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(ResultError, match=r"a video needs PyAV, which is not installed\. pip install 'av>=14'"):
        write_video(images_of(random_levels((5, 16, 12))), tmp_path / "v.mkv")
    assert not list(tmp_path.iterdir())


def test_frames_of_the_projector_that_do_not_divide_are_told(tmp_path):
    """7 images in 7 s are 60 frames of 60 Hz each; in 7.05 s 60.43."""
    for turn_s, told in ((7.0, False), (7.05, True)):
        images = images_of(random_levels((7, 16, 12)), turn_s=turn_s)
        images.facts["frames_of_the_projector_each"] = 60 * turn_s / 7
        _, notes = write_video(images, tmp_path / f"{turn_s}.mkv")
        assert any("each image lasts 60.429 frames of the projector" in note for note in notes) == told
