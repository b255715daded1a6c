"""`lightlathe predict --came-out`: what a person types after a print, and what is said to them."""

import json
import math
import re

import pytest
import torch

import lightlathe as ll
from lightlathe.beams import Telecentric
from lightlathe.cli.main import main
from lightlathe.result.outcomes import Kept, keep_outcomes

LINES = {  # words, what is said of them
    "too thin by 0.1 mm": "this exposure brings that dose to the wanted surface",
    "nothing": "1.5 times longer",
    "a solid block": "1.5 times shorter",
    "holes closed": "Every voxel comes out right from",
    "right": "keep it",
    "soft": "The weakest place of the part got",
    "skin solid and centre liquid": "1/mm or more the core gets less",
    "doubled edges by 0.5 mm": "axis_offset_pixels = 1 or -1 in [light] instead of 0",
    "mirrored": 'write sense = "counterclockwise" in [turn]',
    "upside down": 'flip = "up_down"',
    "sank": "Pa s or more",
    "top missing": "the weakest voxel of the top|the picture ends at 2.5 mm and the resin at 6 mm",
    "bottom missing": "the weakest voxel of the bottom|the picture ends at -2.5 mm and the resin at -6 mm",
}


@pytest.fixture(scope="module")
def designed(small_job, tmp_path_factory):
    folder = tmp_path_factory.mktemp("printed")
    disc, tube = 'cylinder", radius_mm = 2.0', 'tube", outer_radius_mm = 2.0, inner_radius_mm = 0.75'
    text = small_job(iterations=20) + "bound_iterations = 0\n"
    assert disc in text
    (folder / "a.toml").write_text(text.replace(disc, tube))
    return ll.design(folder / "a.toml")


@pytest.fixture
def result(designed, tmp_path):
    return str(ll.write_result(designed, tmp_path / "a.lathe.h5"))


@pytest.mark.parametrize("words", LINES)
def test_each_thing_seen_says_what_to_change_and_by_how_much(result, words, capsys):
    assert main(["predict", result, "--came-out", words]) == 0
    said = capsys.readouterr().out
    assert re.search(LINES[words].replace("[", r"\["), said), said
    assert "nan" not in said
    assert "nothing was kept: --keep" in said


def test_edges_lie_twice_as_far_apart_as_the_axis_is_off(result, capsys):
    """One bright column at 0 and at 180 degrees, the axis 0.5 mm off: two lines of dose 1 mm apart in the vial."""
    angles = torch.tensor([0.0, math.pi], dtype=torch.float64)
    chords = Telecentric().chords(angle_rad=angles, columns=41, rows=1, pixel_mm=0.25, axis_offset_mm=0.5)
    grid = ll.Grid((40, 40, 1), voxel_mm=0.25)
    operator = ll.DoseOperator(ll.Optics(chords, vial_radius_mm=5.0, absorption_per_mm=0.01), grid)
    lit = torch.zeros(operator.pattern_shape)
    places = []
    for image in range(2):
        lit.zero_()
        lit[image, 20] = 1.0  # the middle column
        dose = operator(lit)[:, 20, 0].double()
        places.append(float((dose * grid.centres_mm(0)).sum() / dose.sum()))
    assert abs(places[0] - places[1]) == pytest.approx(1.0, abs=1e-3)
    main(["predict", result, "--came-out", "doubled edges by 1.0 mm", "--json"])
    off = 0.5 / 0.25
    assert f"{off:g} or -{off:g}" in json.loads(capsys.readouterr().out)["changes"][0]


def test_several_vials_are_kept_and_put_together(result, capsys, tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"a picture")
    args = ["predict", result]
    assert main([*args, "--came-out", "8 s: nothing", "--came-out", "9.8 s: too thin by 0.1 mm", "--keep"]) == 0
    assert "kept in" in capsys.readouterr().out
    assert main([*args, "--came-out", "12 s: holes closed", "--keep", "--photo", str(tmp_path / "photo.jpg")]) == 0
    said = capsys.readouterr().out
    assert "12 s: holes closed  (new)" in said
    assert main([*args, "--kept"]) == 0
    again = capsys.readouterr().out
    assert [line.strip() for line in again.splitlines()[:3]] == [
        "prints:     8 s: nothing",
        "9.8 s: too thin by 0.1 mm",
        "12 s: holes closed",
    ]
    assert main([*args, "--kept", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    threshold = found["threshold_mj_cm3"]
    assert threshold["low"] <= threshold["value"] <= threshold["high"]
    assert 9.8 < found["exposure_s"] < 12
    kept = json.loads((tmp_path / "a.lathe.outcomes.json").read_text())["vials"]
    assert [one["photo"] for one in kept] == [None, None, "photo.jpg"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--keep"], "--keep and --photo go with --came-out"),
        (["--kept"], "nothing is kept of"),
        (["--came-out", "36 s: nothing", "--exposure", "30"], "expected one of the two"),
        (["--came-out", "nothing", "--came-out", "right", "--photo", "p.jpg"], "one print at a time"),
        (["--came-out", "nothing", "--blur-mm", "0.1"], "--came-out goes with --exposure alone"),
        (["--came-out", "wonky"], "'wonky' is not understood"),
        (["--came-out", "too thin by 9 mm"], "the part is 4 mm across where it is widest"),
        (["--came-out", "too thin by 2 mm"], "of the part is walls thinner than 2 mm"),
        (["--came-out", "49 mm instead of 50 mm"], "a size of 50 mm was wanted, and this part is"),
        (["--came-out", "0 s: nothing"], "expected a time above 0"),
        (["--came-out", "-5 s: nothing"], "the exposure is -5 s"),
        (["--came-out", ""], "is empty"),
        (["--came-out", "48 s:"], "is empty"),
    ],
)
def test_one_clear_error(result, arguments, message, capsys):
    assert main(["predict", result, *arguments]) == 1
    assert message in capsys.readouterr().err


def said_of(result, capsys, *prints, options=()):
    """What is said of prints, as printed."""
    words = [word for one in prints for word in ("--came-out", one)]
    assert main(["predict", result, *words, *options]) == 0
    return capsys.readouterr().out


def test_what_was_seen_of_every_print_is_answered(result, capsys):
    prints = ["skin solid and centre liquid", "doubled edges by 0.2 mm", "mirrored"]
    said = said_of(result, capsys, *prints)
    for words, answer in zip(prints, ["it absorbs above 0.", "axis_offset_pixels = ", "write sense = "], strict=True):
        assert answer in said
        assert sum(line.startswith(f"{words}: ") for line in said.splitlines()) == 1


@pytest.mark.parametrize("words", ["mirrored", "upside down", "doubled edges by 0.2 mm"])
def test_what_every_exposure_of_these_frames_has_leaves_no_next_exposure(result, words, capsys):
    """Mended by a new design alone: an exposure of these frames would print the same fault again."""
    for prints in ([f"9.8 s: too thin by 0.1 mm, {words}"], ["9.8 s: too thin by 0.1 mm", f"10 s: {words}"]):
        said = said_of(result, capsys, *prints)
        assert f"no exposure is advised: {words} at any exposure of these frames" in said
        assert "next exposure" not in said
        assert "lightlathe export" not in said.replace("lightlathe export JOB.toml --calibration", "")
    said_of(result, capsys, f"9.8 s: {words}", options=["--keep"])
    assert "no exposure is advised" in said_of(result, capsys, options=["--kept"])
    mended = said_of(result, capsys, "9.8 s: too thin by 0.1 mm")  # the next print says nothing of it any more
    assert "taken as mended" in mended
    assert "next exposure" in mended


def test_holes_cannot_close_in_a_part_without_any(small_job, tmp_path, capsys):
    (tmp_path / "a.toml").write_text(small_job(iterations=8) + "bound_iterations = 0\n")
    record = ll.design(tmp_path / "a.toml")
    result = str(ll.write_result(record, tmp_path / "a.lathe.h5"))
    for options in ([], ["--keep"]):
        assert main(["predict", result, "--came-out", "12 s: holes closed", *options]) == 1
        assert "'12 s: holes closed': this part has no hole, channel or gap" in capsys.readouterr().err
    keep_outcomes(tmp_path / "a.lathe.h5", [Kept(12.0, "holes closed")])  # as files from before may have it
    for arguments in (["--came-out", "too thin"], ["--kept"]):  # it is said, and does not end the rest
        assert main(["predict", result, *arguments]) == 0
        said = capsys.readouterr().out
        assert "left out of what follows: '12 s: holes closed'" in said
        assert "taken out of 'vials' in " in said
        assert ("next exposure" in said) == (arguments[0] == "--came-out")


def test_what_earlier_prints_had_is_named_and_kept_prints_alone_are_answered_in_full(result, capsys):
    said_of(result, capsys, "sank", options=["--keep"])
    said = said_of(result, capsys, "mirrored")
    assert "not said of these, so taken as mended: sank." in said
    assert "Pa s or more" not in said
    alone = said_of(result, capsys, options=["--kept"])
    assert re.match(r"prints: +[0-9.]+ s: sank\n", alone)  # one kept print is shown as well
    assert "Pa s or more" in alone


def test_no_exposure_mends_too_little_and_too_much_of_one_print(result, capsys):
    for words in ("holes closed, too thin by 0.1 mm", "too thin and holes closed"):
        said = said_of(result, capsys, words)
        assert "no one exposure mends both" in said
        assert "blur_mm" in said
        assert "axis_offset_pixels" in said
        assert "window between them: the most exposed place around the part got" in said
        assert "no exposure is advised: none mends" in said
        assert "next exposure" not in said
        assert "threshold:" not in said
    both = said_of(result, capsys, "9.8 s: too thin", "10 s: holes closed, too thin by 0.1 mm")
    assert "next exposure" not in both


def test_where_prints_contradict_each_other_the_question_comes_first_and_no_exposure_follows(result, capsys):
    said_of(result, capsys, "9.8 s: too thin by 0.1 mm", options=["--keep"])
    said = said_of(result, capsys, "60 min: nothing")
    lines = [line for line in said.splitlines() if not line.startswith(("prints:", " "))]
    assert lines[0].startswith("no one dose fits all prints: '3600 s: nothing' asks for more than ")
    assert "one misread?" in lines[0]
    assert "a.lathe.outcomes.json" in said  # where the kept one can be taken out
    for absent in ("next exposure", "threshold:", "[resin]"):
        assert absent not in said
    found = json.loads(said_of(result, capsys, "60 min: nothing", options=["--json"]))
    assert "exposure_s" not in found
    assert found["contradiction"] in lines[0]
    assert "keep it" not in said_of(result, capsys, "60 min: nothing", "61 min: right")


def test_a_liquid_centre_comes_before_the_exposure(result, capsys):
    said_of(result, capsys, "9.8 s: skin solid and centre liquid", options=["--keep"])
    for said in (
        said_of(result, capsys, "9.8 s: too thin by 0.05 mm"),
        said_of(result, capsys, "skin solid and centre liquid, too thin"),
    ):
        assert "next exposure" not in said
        assert "skin solid and centre liquid" in said
        assert "[resin]" not in said
    assert "keep it" in said_of(result, capsys, "11 s: right")  # a longer exposure had a solid centre


def test_the_core_needs_what_the_prints_say_where_they_tell_of_the_threshold(result, capsys):
    prints = "9.8 s: skin solid and centre liquid, too thin by 0.05 mm"
    found = json.loads(said_of(result, capsys, prints, options=["--json"]))
    assert f"{found['threshold_with_job_mj_cm3']['high']:.3g}" in found["changes"][0]


def test_only_prints_that_tell_of_the_threshold_are_counted(result, capsys):
    telling = ["8 s: nothing", "9.8 s: too thin by 0.1 mm"]
    others = ["10 s: sank", "11 s: sank"]
    assert "By 2 prints the threshold is" in said_of(result, capsys, *others, *telling)
    one = said_of(result, capsys, *others, telling[1])
    assert "prints the threshold is" not in one
    assert "for [resin]" not in one  # one print alone is no measurement of a resin
