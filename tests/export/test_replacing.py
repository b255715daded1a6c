"""`--replace`: frames, players, figures and videos that this program wrote are replaced as a whole, nothing else is."""

import json

import pytest
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.export.frames import write_frames
from lightlathe.export.player import write_player
from lightlathe.export.video import write_video

from image_sets import images_of, random_levels  # isort: skip


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def several(count):
    return images_of(random_levels((count, 16, 12)))


def test_frames_take_the_place_of_more_frames(tmp_path):
    """None of the longer turn is left, and a player may go into the folder of frames."""
    folder = tmp_path / "f"
    write_frames(several(7), folder)
    with pytest.raises(ResultError, match=r"holds frame_00000\.png already.*--replace replaces frames written there"):
        write_frames(several(3), folder)
    assert len(names(folder)) == 8
    manifest = write_frames(several(3), folder, replace=True)
    assert manifest == folder / "manifest.json"
    assert names(folder) == [*(f"frame_0000{n}.png" for n in range(3)), "manifest.json"]
    assert len(json.loads(manifest.read_text())["frames"]) == 3
    write_player(several(4), folder, replace=True)
    assert names(folder) == [*(f"frame_{n}.png" for n in range(4)), "manifest.json", "player.html"]
    write_frames(several(3), folder, "npy", replace=True)
    assert names(folder) == ["frames.npy", "manifest.json"]
    assert names(tmp_path) == ["f"]


@pytest.mark.parametrize("extra", ["mine.txt", "frame_00009.png", "sub"])
def test_a_folder_with_something_else_stays(tmp_path, extra):
    folder = tmp_path / "f"
    write_frames(several(3), folder)
    (folder / extra).mkdir() if extra == "sub" else (folder / extra).write_text("mine")
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    with pytest.raises(ResultError, match=f"holds {extra}, which is not of frames that Lightlathe wrote there"):
        write_frames(several(2), folder, replace=True)
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == before


@pytest.mark.parametrize("manifest", [None, "{}", "[1]", '{"frames": [{"file": "frame_00000.png"}], "scale": "mine"}'])
def test_frames_of_another_program_stay(tmp_path, manifest):
    """Without a manifest of this program, names that look alike count for nothing."""
    folder = tmp_path / "f"
    folder.mkdir()
    Image.new("L", (4, 4)).save(folder / "frame_00000.png")
    if manifest is not None:
        (folder / "manifest.json").write_text(manifest)
    with pytest.raises(ResultError, match="nothing was replaced"):
        write_frames(several(2), folder, replace=True)
    assert (folder / "frame_00000.png").exists()


def test_what_fails_leaves_the_frames_of_before(tmp_path, monkeypatch):
    folder = tmp_path / "f"
    write_frames(several(3), folder)
    monkeypatch.setattr(Image.Image, "save", lambda *_: (_ for _ in ()).throw(OSError("the disk is full")))
    with pytest.raises(ResultError, match="the disk is full"):
        write_frames(several(2), folder, replace=True)
    assert len(names(folder)) == 4
    assert names(tmp_path) == ["f"]


def test_a_link_to_a_folder_is_followed_and_a_link_inside_is_not(tmp_path):
    write_frames(several(3), tmp_path / "real")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_frames(several(2), tmp_path / "link", replace=True)
    assert (tmp_path / "link").is_symlink()
    assert len(names(tmp_path / "real")) == 3
    (tmp_path / "aside.png").write_text("mine")
    (tmp_path / "real" / "frame_00001.png").unlink()
    (tmp_path / "real" / "frame_00001.png").symlink_to(tmp_path / "aside.png")
    with pytest.raises(ResultError, match=r"holds frame_00001\.png, which is not"):
        write_frames(several(2), tmp_path / "real", replace=True)
    assert (tmp_path / "aside.png").read_text() == "mine"


def test_videos(tmp_path):
    pytest.importorskip("av")
    path, other = tmp_path / "v.mkv", tmp_path / "w.mkv"
    write_video(several(5), path)
    with pytest.raises(ResultError, match="or --replace for a video that Lightlathe wrote"):
        write_video(several(3), path)
    write_video(several(3), path, replace=True)
    assert json.loads((tmp_path / "v.mkv.json").read_text())["frames_in_file"] == 3
    other.write_bytes(path.read_bytes())  # a video without its manifest, and with that of another
    for manifest in (None, (tmp_path / "v.mkv.json").read_text(), "{"):
        if manifest is not None:
            (tmp_path / "w.mkv.json").write_text(manifest)
        with pytest.raises(ResultError, match="expected a new name for the video"):
            write_video(several(2), other, replace=True)
    assert other.read_bytes() == path.read_bytes()
