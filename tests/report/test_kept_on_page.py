"""Prints kept of a result on its page: the words and advice of `predict --kept`, photos, files that are not right."""

import base64
import io
import json
import re
import shutil

import pytest
from PIL import Image

from lightlathe.cli.main import main
from lightlathe.report.page.prints import ROOM, WIDE, prints_section
from lightlathe.result import read_result


@pytest.fixture(scope="module")
def kept(tmp_path_factory, small_job):
    """The folder of a result with two prints kept, the second with a photo of which a camera turned the picture and
    noted the place."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "disc.toml").write_text(small_job(iterations=3))
    photo = Image.new("RGB", (900, 600), "white")
    photo.paste("red", (0, 0, 450, 600))
    exif = Image.Exif()
    exif[0x0112] = 6  # to be shown turned by 90 degrees clockwise
    exif[0x013B] = "A. Smith, 52.5 N"
    photo.save(folder / "vial <2>.jpg", exif=exif)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        main(["design", "disc.toml"])
        planned = read_result(folder / "disc.lathe.h5").patterns.exposure_s
        thin, right = f"{planned} s: too thin by 0.02 mm", f"{1.1 * planned} s: right"
        assert main(["predict", "disc.lathe.h5", "--came-out", thin, "--keep"]) == 0
        assert main(["predict", "disc.lathe.h5", "--came-out", right, "--keep", "--photo", "vial <2>.jpg"]) == 0
    return folder


@pytest.fixture
def result(kept, tmp_path, monkeypatch):
    """The result in a copy of that folder."""
    shutil.copytree(kept, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "disc.lathe.h5"


def html_of(result):
    return prints_section(read_result(result), result).body


def test_the_words_and_advice_of_predict_kept(result, capsys):
    page = html_of(result)
    assert "too thin by 0.02 mm" in page
    assert main(["predict", str(result), "--kept"]) == 0
    said = capsys.readouterr().out
    threshold = re.search(r"threshold: .*", said)[0]
    assert threshold.split(";")[0] in page
    assert main(["show", str(result)]) in (0, 3, 4)
    assert "2 prints kept: lightlathe predict" in capsys.readouterr().out
    main(["show", str(result), "--json"])
    assert [one["came_out"] for one in json.loads(capsys.readouterr().out)["prints"]] == [
        "too thin by 0.02 mm",
        "right",
    ]


def test_the_photo_is_small_upright_and_tells_nothing_else(result):
    page = html_of(result)
    assert "vial &lt;2&gt;.jpg" in page
    octets = base64.b64decode(re.search(r"data:image/jpeg;base64,([^\"]+)", page)[1])
    assert b"Smith" not in octets
    with Image.open(io.BytesIO(octets)) as shown:
        assert shown.size == (WIDE * 600 // 900, WIDE)  # upright
        assert shown.getpixel((160, 100))[1] < 60 < 200 < shown.getpixel((160, 400))[1]  # red above, white below


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda folder: Image.new("RGB", (9, 9)).save(folder / "vial <2>.jpg"), "changed since it was kept"),
        (lambda folder: (folder / "vial <2>.jpg").unlink(), "cannot be shown"),
    ],
)
def test_a_photo_that_is_not_the_one_kept(result, change, words):
    change(result.parent)
    page = html_of(result)
    assert words in page
    assert "<img" not in page


def test_what_is_no_picture(result):
    """A list that someone else wrote may name any file; one that is no picture is not shown."""
    import hashlib

    path = result.with_name("disc.lathe.outcomes.json")
    table, secret = json.loads(path.read_text()), result.parent / "secret.txt"
    secret.write_text("my words")
    table["vials"][1] |= {"photo": str(secret), "photo_sha256": hashlib.sha256(b"my words").hexdigest()}
    path.write_text(json.dumps(table))
    page = html_of(result)
    assert "my words" not in page
    assert "cannot be shown" in page


def test_a_list_that_cannot_be_read_or_understood_leaves_the_page_whole(result, capsys):
    path = result.with_name("disc.lathe.outcomes.json")
    table = json.loads(path.read_text())
    table["vials"][0]["came_out"] = "<b>flabber</b>"
    path.write_text(json.dumps(table))
    page = html_of(result)
    assert "&lt;b&gt;flabber" in page
    assert "left out of what follows" in page
    assert "keep it" in page  # the other print still counts
    path.write_text("{")
    assert "cannot be read" in html_of(result)
    assert main(["show", str(result)]) in (0, 3, 4)
    said = capsys.readouterr()
    assert "cannot be read" in said.err
    assert "overlap" in said.out


def test_none_is_kept(result):
    result.with_name("disc.lathe.outcomes.json").unlink()
    assert "--keep keeps one" in html_of(result)


def test_photos_share_the_room(result):
    """Noise, which packs worst, forty times."""
    import os

    Image.frombytes("RGB", (500, 400), os.urandom(600_000)).save("noise.png")
    for _ in range(2):
        assert main(["predict", str(result), "--came-out", "right", "--photo", "noise.png", "--keep"]) == 0
    path = result.with_name("disc.lathe.outcomes.json")
    table = json.loads(path.read_text())
    table["vials"] += 20 * table["vials"][-1:]
    path.write_text(json.dumps(table))
    page = html_of(result)
    assert "<img" in page
    assert "no room for more photos" in page
    assert sum(map(len, re.findall(r"base64,[^\"]+", page))) <= ROOM
