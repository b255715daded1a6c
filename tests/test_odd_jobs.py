"""The text of every command over odd jobs: no undefined number, no plural of one, nothing that contradicts itself."""

import re

import pytest

from lightlathe.cli.progress import postfix
from odd_jobs import JOBS, NOT_DESIGNED, others, texts

# what no sentence may hold, and what was said instead
NOWHERE = {
    "an undefined number": r"(?<![\w./])(nan|inf|NaN)\b|undefined",
    "a plural of one": r"(?<![\d.,x] )(?<![\d.,])\b1 ((image|vial|turn|voxel|slice|bit|column|row|component)s)\b",
    "a before a vowel": r"\b[aA] [aeio]\w+",
    "an exponent": r"\d[eE][+-]\d",
    "a time below 0": r"-\d[\d.]* (s|min|h)\b|\(-\d+ %\)",
    "an error of the program": r"Traceback|Error: (?!a surface off|the dose falls|there is no surface)",
}
VOWELS_THAT_PASS = ("a one", "a unit")
# pairs that contradict each other in one text
TOGETHER = {
    "longer than is allowed, yet how": (r"use more light, or allow more time", r"--frames FOLDER --exposure"),
    "proven hopeless, yet more iterations": (r"Proven: no patterns whatever", r"[mM]ore iterations"),
    "right for some, yet one vial is enough": (r"is right for (?!100 %)", r"one vial is enough[^\n]*this exposure"),
    "no series, and no way to one": (
        r"no bracketing series",
        r"no bracketing series(?![^\n]*(In turns of|With a lamp at|is right|it would take|any dose|the doses that))",
    ),
    "too short a time, yet another exposure": (
        r"is too short for a full cure",
        r"Another exposure would print every voxel of the job's grid right",
    ),
    "nothing comes out, yet a best threshold": (r"nothing comes out", r"thin places"),
    "nothing outside, yet light there": (
        r"no light falls outside the part|nothing around the part is judged",
        r"light in it|outside the part gets",
    ),
    "none right, yet all of it": (r"no exposure is right everywhere, this one for 1.0000 of 1", r"."),
    "more bits lost than there are": (r"[89]\.\d of 8 bits are lost", r"."),
    "a band hidden in the figures": (r"less the band", r"grid comes out right|own grid  "),
    "turns that stir the resin": (r"In turns of 0\.\d+ s", r"."),
    "one reason twice, and where it cannot help": (
        r"lie within half a row|any dose turns|tolerance band, which",
        r"Details",
    ),
    "more than the part in percent": (r"as much as \d{3,}[\d.]* %", r"."),
    "a half of nothing": (r"\b0 % of the part and|and 0 % of the rest", r"."),
    "two styles of percent": (r"\d %", r"(?<!under )(?<!over )\d%"),
    "a leap that says nothing": (r"tells no distance", r"."),
    "finer pixels filed under place": (r"place:[^\n]*finer than the voxels", r"."),
    "design anyway where nothing can be": (r"stop    place:|100 billion voxels", r"--anyway"),
    "a move that does harm": (r"as placed 0\.6 x 0\.6 x", r"lays both onto rows"),
    "a gel dose, where any dose gels": (r"liquid below 0 ", r"its gel dose|shortest possible exposure"),
    "closest, by another measure": (r"comes closest", r"."),
    "a band blamed for nothing": (r"tolerance_mm\) mends", r"."),
    "right from then on, yet none right": (
        r"right from [\d.]+ s on",
        r"no exposure is right everywhere|No exposure prints this right",
    ),
    "a best exposure, where any dose is too much": (r"liquid below 0 ", r"best exposure lies"),
    "fewer copies, where one does not fit": (r"100 billion voxels", r"fewer copies"),
    "memory called hopeless": (r"effort:[^\n]*B are available", r"verdict: cannot work\n  stop    effort"),
}


# job, command, what is said
WORDS = (
    ("one_angle", "check", "1 image a turn"),
    ("two_angles", "design", "Windows of that slice alone"),
    ("dark_resin", "design", "Proven: no patterns whatever print this part in this resin and vial, in 60 images"),
    ("no_window", "design", "more iterations may find one"),
    ("micro_pixels", "design", "more of the bound (bound_iterations) may rule it out"),
    ("full_vial", "predict, came out all solid", "is what this job asks for: nothing around the part is judged"),
    ("no_safe_dose", "predict, came out all solid", "no exposure opens gaps: measure that dose first"),
    ("no_safe_dose", "predict, came out nothing", "that nothing came out contradicts it"),
    ("no_window", "check", "Or a vial of 8.6 mm or less, which still holds the part"),
    (
        "weak_lamp",
        "check",
        "stronger light, which may still be too little; it then wants finer voxels and more images",
    ),
    ("full_vial", "check", "all of the part must get the latter; nothing around it is judged"),
    ("full_vial_too_short", "design", "on the finer grid of 0.125 mm this one prints"),
    ("full_vial_no_safe_dose", "check", "nothing around it is judged"),
    ("full_vial", "check", "6400 voxels"),
    ("full_vial", "check", "40 voxels across the part.\n"),
    ("inhibited", "check", "3.92 s is the shortest possible exposure"),
    ("micro_pixels", "check", "several times as long, and as much worse"),
    ("weak_lamp", "design", "nothing comes out"),
    ("weak_lamp", "check", "verdict: cannot work"),
    ("weak_lamp", "design", "it would take exposures of up to 3.2 days, where 24 h is the longest allowed"),
    ("weak_lamp", "check", "the shortest takes longer than the 24 h allowed where no max_exposure_s is set"),
    ("weak_lamp", "check", "in 12 h, half of the longest exposure allowed"),
    ("too_short_an_exposure", "check", "a design may take longer than the 20 s that max_exposure_s allows"),
    ("too_short_an_exposure", "check", "helps most: 9 times the irradiance, or max_exposure_s = 180 in [turn]"),
    ("no_window", "check", "by a quick bound for resin everywhere, between the voxels' centres too"),
    ("strong_lamp", "check", "below about 4.5 Pa s"),
    ("strong_lamp", "check", "helps most: a lamp at 0.44 % of its light"),
    ("micro_pixels", "check", "pixels are finer than its voxels, as here, it may need several times that"),
    ("inhibited", "check", "mJ/cm3 where the dose comes over 30 s (planned_exposure_s"),
    ("one_bit", "check", "watch   levels: 1 bit: a pixel has 2 levels"),
    ("narrow_resin", "check", "must get 1.0048 times the dose"),
    ("wide_resin", "check", "3.36 s is the shortest possible exposure, 52 s about the longest"),
    ("outside_the_light", "check", "so some of it is out of the light for part of every turn"),
    ("outside_the_light", "check", "a lens that enlarges the picture 1.34 times"),
    ("six_angles", "check", "51 images a turn or more, or 26 images a turn or more of a stage that stops under each"),
    ("one_slice", "check", "or a stage that stops under each image"),
    ("micro_pixels", "check", "629 images a turn or more in 10.5 s or more"),
    ("insert", "check", "below about 7.6 Pa s"),
    ("insert", "check", "an opaque insert the part sees light from 69 % of all directions in the mean, 61 % at least"),
    ("inhibited", "design", "the doses that this resin needs change with the time over which they come"),
    ("no_safe_dose", "design", "liquid_below is 0, so any dose turns this resin solid"),
    ("one_bit", "design", "levels at 0.585 of the design's light"),
    ("strong_lamp", "design", "A dimmer lamp keeps the projector's steps fine."),
    ("one_slice", "check", "the part's 20 columns takes 63 images)"),
    ("insert", "design", "73 % of it is not absorbed in the part"),
    ("vast_grid", "check", "verdict: does not fit this machine"),
    ("vast_grid", "design", "exit code 5"),
    ("outside_the_light", "design", "exit code 4"),
    ("outside_the_light", "check", "The part reaches 0.5 mm beyond the projector's field, 3 mm wide"),
    ("outside_the_light", "check", "helps most: a smaller part or a wider field of light."),
    ("vast_grid", "check", "helps most: voxels of 0.25 mm."),
    ("vast_grid", "check", "100 billion voxels, 60 images"),
    (
        "plain",
        "check, 8 GB card",
        "60 images: the design takes about 4.1 MB beside the driver's own memory",
    ),
    ("plain", "check", "stronger light; it then wants finer voxels, more images a turn and a dimmer lamp"),
    ("plain", "check", "print up to half a row short: +0.125 mm more along z for all that is in the job"),
    ("tiny_part", "check", "helps most: voxels and pixels of 0.018 mm or less (34 columns and 28 rows, or more)"),
    ("one_slice", "check", "thinnest wall 0.2 mm: the wall is under two pixels"),
    ("one_slice", "check", "0.21 mm, 1.05 pixels or 1.05 voxels"),
    ("one_angle", "check", "50.3 pixels or 50.3 voxels"),
    ("six_angles", "check", "lines a pixel wide keep none of their contrast there"),
    ("full_vial", "check", "all of its columns can light the part"),
    ("insert", "check", "place: all of the part is inside the resin and the light"),
    ("micro_pixels", "check", "pixels of 17 um or more"),
    ("fine_pixels", "check", "voxels of 0.25 mm, thinnest wall 1 mm: the pixels are finer"),
    ("micro_pixels", "check", "watch   diffraction: "),
    ("insert", "check", "nothing is printed. Within 0.5 mm of an opaque insert"),
    (
        "insert",
        "design",
        "assumed     Light ends at an opaque insert: what the insert reflects or scatters is left out.",
    ),
    ("uncertain_resin", "design", "absorption to 20 %"),
    ("absorption_alone", "design", "an absorption known to 5 %"),
    ("known_resin", "design", "one vial is enough for a threshold known to 3 %: this exposure"),
    (
        "full_vial",
        "design",
        "right from 10.0 s on, on voxels of 0.25 mm: nothing around the part is judged; on the finer",
    ),
    ("full_vial", "design", "this exposure prints all of the shape right"),
    ("full_vial", "design", "reaches 5.00 mm from the axis of the vial's 5.00 mm"),
    ("full_vial", "predict, came out too thin by 0.1 mm", "Nothing around the part is judged"),
    ("tiny_part", "design", "0.60 x 0.60 x 0.50 mm"),
    ("no_safe_dose", "design", "any dose turns this resin solid"),
    ("no_window", "design", "proven: no patterns whatever reach more than 8"),
    ("no_window", "design", "does not rule out a window of 8"),
    ("no_window", "design", "half the absorption 23 % (at most 3"),
    ("one_angle", "design", "half the absorption -"),
    (
        "tolerance_band",
        "predict",
        "as designed: every voxel of the job's own grid less the tolerance band comes out right",
    ),
    ("tolerance_band", "predict", "overlap, own grid, whole shape"),
    ("tolerance_band", "design", "a narrower one (tolerance_mm) helps"),
    ("inhibited", "design", "mJ/cm3 where the dose comes over 10 s; its gel dose is"),
    ("scenarios", "design", "0.25 mm under every scenario of [design.robust], for the gel dose only"),
    ("scenarios", "design", "with no scenario applied"),
    ("strong_lamp", "design", "less than one of the projector's 255 steps is left"),
    ("strong_lamp", "design", "more bits, or levels that are dimmed less, keep it"),
    ("131_images", "design", "With a lamp at"),
    ("131_images", "design", "right from 11.7 to 12.7 s"),
    ("six_angles", "design", "With a lamp at"),
    ("too_short_an_exposure", "design", "where 20 s is the longest allowed"),
    ("weak_lamp", "design", "right from 3.045 to 3.281 days"),
    ("weak_lamp", "predict, came out nothing", "The longest exposure allowed is 24 h"),
    (
        "one_angle",
        "predict, came out too thin by 0.1 mm",
        "check lamp power and doses before trusting either",
    ),
    ("wide_resin", "design", "known to 52 % (as far as the resin's two doses lie from their middle; "),
    ("plain", "design", "between two rows of pixels and print up to half a row short: +0.125 mm more along z"),
    ("plain", "predict", "most dose outside, mJ/cm3"),
    ("graded", "check", "part 2: cylinder"),
    ("graded", "design", "hardly any margin to the long side: it is right up to 0."),
    ("graded", "design", "0.71 % of the rest gets a dose"),
    ("dark_resin", "design", "5.1 times the part's volume"),
    ("micro_pixels", "design", "as it is 20 % (at most 36 %)"),
    ("plain", "predict, came out all solid", "go on until gaps open"),
)


@pytest.mark.parametrize("name", JOBS)
def test_the_texts_of_an_odd_job(name, tmp_path):
    said = dict(texts(name, tmp_path))
    no_sentence_is_spoilt(name, said)
    nothing_contradicts_itself(name, said)
    columns_stand_apart(name, said)
    no_advice_is_followed_already(name, said)
    what_the_job_is_there_for_is_said(name, said)


def test_the_texts_of_commands_without_a_job(tmp_path):
    said = dict(others(tmp_path))
    no_sentence_is_spoilt("others", said)
    assert "lies far from" not in said["resin films.csv"]  # 0.008 um of 612
    assert "0.1501 (0.1500 to 0.1501) mm" in said["resin films.csv"]
    assert "penetration depth of -0.13 mm;" in said["resin falling.csv"]
    assert "'100.4', above 100 %" in said["resin bright.csv"]
    assert "Is the unit %?" not in said["resin bright.csv"]
    assert "plain, ranked by true IoU (iou_fine)" in said["compare"]
    after = [line.split()[-3] for line in said["compare"].splitlines() if re.match(r"     \d", line)]
    assert after == ["1", "3"]  # "right after": no voxel is wrong from then on
    for head in ("spread ", "light mJ "):
        assert re.search(rf"^{head}", said["compare"], re.MULTILINE)


def no_sentence_is_spoilt(name, said):
    for command, text in said.items():
        for what, pattern in NOWHERE.items():
            if name == "others" and what == "an error of the program":
                continue  # tables that cannot be fitted are answered with an error
            for hit in re.finditer(pattern, text):
                if hit[0] not in VOWELS_THAT_PASS:
                    around = text[max(0, hit.start() - 80) : hit.end() + 40]
                    raise AssertionError(f"{name}, {command}: {what}: ...{around}...")


def nothing_contradicts_itself(name, said):
    for command, text in said.items():
        for what, (one, other) in TOGETHER.items():
            assert not (re.search(one, text) and re.search(other, text)), f"{name}, {command}: {what}:\n{text}"


def columns_stand_apart(name, said):
    """Every row of `predict` is words and two figures with room between; the head stands over them."""
    found = 0
    for command, text in said.items():
        if not command.startswith("predict") or "came out" in command:
            continue
        rows = [
            line for line in text.splitlines() if re.match(r"(overlap|window|part that|rest that|most|least)", line)
        ]
        found += len(rows)
        for row in rows:
            assert re.fullmatch(r"\S+( \S+)*\s{2,}\S+\s{2,}\S+|\S+( \S+)*\s{2,}(\S+ )*\S+\s{2,}(\S+ )*\S+", row), row
        assert len({len(row) for row in rows}) == 1
    assert found > 0 or name in NOT_DESIGNED


def no_advice_is_followed_already(name, said):
    """Advice for more images, columns or finer voxels asks for more than the job has."""
    job = JOBS[name]
    have = {key: float(re.search(rf"{key} = ([\d.]+)", job)[1]) for key in ("angles", "columns", "voxel_mm")}
    for text in said.values():
        for wanted in re.findall(r"helps most: (\d+) images a turn or more", text):
            assert int(wanted) > have["angles"]
        for wanted in re.findall(r"(\d+) columns instead of", text):
            assert int(wanted) > have["columns"]
        for wanted in re.findall(r"helps most: voxels of ([\d.]+) mm or less", text):
            assert float(wanted) < have["voxel_mm"]


def what_the_job_is_there_for_is_said(name, said):
    for job, command, words in WORDS:
        if job == name:
            assert words in said[command], f"{name}, {command}: {words!r} is not in\n{said[command]}"
    if name == "plain":
        came_out = said["predict, came out too thin by 0.1 mm"]
        assert "about" not in came_out.splitlines()[0]
        assert re.search(r"in 1 turn of [\d.]+ s give that exposure", came_out)


def test_the_bar_holds_no_undefined_number():
    figures = {"under_cure_fraction": 0.125, "over_cure_fraction": float("nan"), "window_relative": float("inf")}
    assert postfix(figures) == "under 12.50%"
    assert postfix(figures | {"over_cure_fraction": 0.5, "window_relative": -0.25}).endswith(
        "over 50.00% window -0.250"
    )


def test_the_sweep_can_fail():
    for what, text in {
        "an undefined number": "over-cure nan% of",
        "a plural of one": "in 1 images a turn",
        "a before a vowel": "gives a absorption of",
        "an exponent": "9.7e+02 million voxels",
        "a time below 0": "right from 1 to 2 s: -5.0 s (-10 %) shorter",
    }.items():
        assert re.search(NOWHERE[what], text)
    assert not re.search(NOWHERE["a plural of one"], "4 x 4 x 1 voxels, 0.1 images, 11 images, 2.1 turns")
    one, other = TOGETHER["no series, and no way to one"]
    bad = "no bracketing series covers a threshold known to 10 %: the window is too narrow"
    assert re.search(one, bad)
    assert re.search(other, bad)
    assert not re.search(other, "no bracketing series for x in turns of 10 s. In turns of 1.2 s 3 vials would do")
