"""Jobs at the edges of what can be asked, and the text of every command for each of them.

Printed for a reader to judge, all of them or those named:  python -m tests.odd_jobs [NAME ...]
"""

import contextlib
import io
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

DISC = """
[part]
shape = { kind = "cylinder", radius_mm = 2.0, height_mm = 1.0 }

[vial]
inner_diameter_mm = 10
resin_height_mm = 12

[resin]
absorption_per_mm = 0.1
liquid_below_mj_cm3 = 40
solid_above_mj_cm3 = 44

[light]
pixel_mm = 0.25
columns = 40
rows = 20
irradiance_mw_cm2 = 20

[turn]
angles = 60
seconds_per_turn = 10

[grid]
voxel_mm = 0.25

[design]
iterations = 12
bound_iterations = 40
"""
INHIBITED = """kind = "inhibited"
absorption_per_mm = 0.1
wavelength_nm = 405
planned_exposure_s = 30
oxygen_mol_m3 = 0.1"""
THRESHOLD = "absorption_per_mm = 0.1\nliquid_below_mj_cm3 = 40\nsolid_above_mj_cm3 = 44"
ONE_PART = '[part]\nshape = { kind = "cylinder", radius_mm = 2.0, height_mm = 1.0 }'
SPHERE = '[part]\nshape = { kind = "sphere", radius_mm = 2.0 }'


def ball(slab_slices: int, iterations: int) -> str:
    """A ball, whose slices all differ but for the mirror, designed in slabs."""
    return disc((ONE_PART, SPHERE), ("\niterations = 12", f"\niterations = {iterations}\nslab_slices = {slab_slices}"))


def disc(*changes: tuple[str, str]) -> str:
    """The disc with some of its text replaced; every replacement must hit."""
    text = DISC
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return text


def parts(*tables: str) -> tuple[str, str]:
    return ONE_PART, "\n".join(f"[[part]]\n{table}" for table in tables)


JOBS = {
    "plain": disc(),
    "one_angle": disc(("angles = 60", 'angles = 1\nmotion = "stepped"')),
    "two_angles": disc(("angles = 60", 'angles = 2\nmotion = "stepped"')),
    "six_angles": disc(("angles = 60", "angles = 6")),
    "131_images": disc(("angles = 60", "angles = 131"), ("seconds_per_turn = 10", "seconds_per_turn = 12")),
    "a_lens_near_a_bare_vial": disc(
        ("columns = 40", 'beam = { kind = "diverging", throw_ratio = 1.4, lens_height_mm = 2 }\ncolumns = 56'),
        ("absorption_per_mm = 0.1", "absorption_per_mm = 0.1\nrefractive_index = 1.5"),
        ("resin_height_mm = 12", 'resin_height_mm = 12\nsurroundings = "air"\nwall_mm = 1\nwall_index = 1.48'),
    ),
    "one_slice": disc(("height_mm = 1.0", "height_mm = 0.2"), ("0.25", "0.2"), ("= 40\nrows = 20", "= 50\nrows = 1")),
    "strong_lamp": disc(("irradiance_mw_cm2 = 20", "irradiance_mw_cm2 = 5000")),
    "weak_lamp": disc(("irradiance_mw_cm2 = 20", 'irradiance_mw_cm2 = 0.0004\nsure = ["irradiance_mw_cm2"]')),
    "too_short_an_exposure": disc(
        ("irradiance_mw_cm2 = 20", "irradiance_mw_cm2 = 4"), ("[grid]", "max_exposure_s = 20\n[grid]")
    ),
    "dark_resin": disc(("absorption_per_mm = 0.1", "absorption_per_mm = 0.8")),
    "no_window": disc(("absorption_per_mm = 0.1", "absorption_per_mm = 0.45"), ("iterations = 12", "iterations = 2")),
    "narrow_resin": disc(("= 40\nsolid_above_mj_cm3 = 44", "= 41.9\nsolid_above_mj_cm3 = 42.1")),
    "wide_resin": disc(("= 40\nsolid_above_mj_cm3 = 44", "= 20\nsolid_above_mj_cm3 = 64")),
    "no_safe_dose": disc(("liquid_below_mj_cm3 = 40", "liquid_below_mj_cm3 = 0")),
    "known_resin": disc(("[light]", "doses_known_to_percent = 3\n[light]")),
    "uncertain_resin": disc(("[light]", "doses_known_to_percent = 3\nabsorption_known_to_percent = 20\n[light]")),
    "absorption_alone": disc(("[light]", "absorption_known_to_percent = 5\n[light]")),
    "graded": disc(
        parts(
            'shape = { kind = "cylinder", radius_mm = 2, height_mm = 1, at_mm = [0, 0, 0.5] }\nwanted_dose = 1.2',
            'shape = { kind = "cylinder", radius_mm = 2, height_mm = 1, at_mm = [0, 0, -0.5] }\nwanted_dose = 1.4',
        ),
        ("[design]", '[design]\nloss = "dose_corridor"'),
        ("angles = 60", 'angles = 60\nmotion = "stepped"'),
    ),
    "tolerance_band": disc(("[design]", "[design]\ntolerance_mm = 0.25")),
    "insert": disc(
        parts(
            'shape = { kind = "cylinder", radius_mm = 3.0, height_mm = 1.0 }',
            'role = "insert"\nshape = { kind = "cylinder", radius_mm = 1.0, height_mm = 30.0 }',
        )
    ),
    "tiny_part": disc(("radius_mm = 2.0, height_mm = 1.0", "radius_mm = 0.3, height_mm = 0.5")),
    "full_vial": disc(("radius_mm = 2.0", "radius_mm = 5.0"), ("[grid]", "[grid]\nmargin_voxels = 0")),
    "full_vial_too_short": disc(
        ("radius_mm = 2.0", "radius_mm = 5.0"),
        ("[grid]", "max_exposure_s = 20\n[grid]\nmargin_voxels = 0"),
        ("irradiance_mw_cm2 = 20", "irradiance_mw_cm2 = 4"),
    ),
    "full_vial_no_safe_dose": disc(
        ("radius_mm = 2.0", "radius_mm = 5.0"),
        ("[grid]", "[grid]\nmargin_voxels = 0"),
        ("liquid_below_mj_cm3 = 40", "liquid_below_mj_cm3 = 0"),
    ),
    "inhibited_too_short": disc((THRESHOLD, INHIBITED), ("[grid]", "max_exposure_s = 10\n[grid]")),
    "fine_pixels": disc(("pixel_mm = 0.25\ncolumns = 40\nrows = 20", "pixel_mm = 0.125\ncolumns = 80\nrows = 40")),
    "micro_pixels": disc(
        ("radius_mm = 2.0, height_mm = 1.0", "radius_mm = 1.0, height_mm = 0.2"),
        ("inner_diameter_mm = 10", "inner_diameter_mm = 3"),
        ("pixel_mm = 0.25\ncolumns = 40\nrows = 20", "pixel_mm = 0.01\ncolumns = 300\nrows = 30"),
        ("voxel_mm = 0.25", "voxel_mm = 0.05"),
    ),
    "one_bit": disc(("irradiance_mw_cm2 = 20", "irradiance_mw_cm2 = 20\nbits = 1")),
    "inhibited": disc((THRESHOLD, INHIBITED)),
    "scenarios": disc(("[design]", "[design]\nrobust = { absorption_percent = [-10, 10] }")),
    "vast_grid": disc(("voxel_mm = 0.25", "voxel_mm = 0.001")),
    "outside_the_light": disc(("columns = 40", "columns = 12")),
    "no_finer_grid": disc(("[grid]", "[grid]\nfiner = 1")),
}
NOT_DESIGNED = ("vast_grid", "outside_the_light")  # not even with --anyway
INTERRUPTED = 130
FILMS = "exposure [mJ/cm2],depth [um]\n73.9,300\n147.8,404\n295.6,508\n591.1,612\n"


def printed(*arguments: str) -> str:
    """What a command says, its exit code last; the progress bar is left out."""
    from lightlathe.cli.main import main

    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = main(list(arguments))
    if code == INTERRUPTED:  # whoever runs this was asked to stop, not the command
        raise KeyboardInterrupt
    lines = [line.rpartition("\r")[2] for line in said.getvalue().splitlines()]
    return "\n".join([*(line for line in lines if "%|" not in line), f"exit code {code}"])


def texts(name: str, folder: Path) -> Iterator[tuple[str, str]]:
    """(command, its text) for one job, in a folder of its own."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        job, result = f"{name}.toml", f"{name}.lathe.h5"
        Path(job).write_text(JOBS[name])
        yield "check", printed("check", job)
        yield "check, 8 GB card", printed("check", job, "--memory", "8", "--device", "cuda")
        yield "design", printed("design", job, *([] if name in NOT_DESIGNED else ["--anyway"]))
        if Path(result).exists():
            yield "predict", printed("predict", result)
            yield "predict, an exposure of 60 s", printed("predict", result, "--exposure", "60")
            yield "predict, absorption 0.6", printed("predict", result, "--absorption", "0.6")
            for words in ("too thin by 0.1 mm", "too fat", "nothing", "all solid"):
                yield f"predict, came out {words}", printed("predict", result, "--came-out", words)
            yield "export", printed("export", result, "--frames", "frames")
    finally:
        os.chdir(before)


def others(folder: Path) -> Iterator[tuple[str, str]]:
    """(command, its text) of the commands that take no job."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        Path("films.csv").write_text(FILMS)
        Path("falling.csv").write_text(FILMS.replace("612", "1").replace("508", "2").replace("404", "3"))
        Path("bright.csv").write_text("path [mm],transmission [%]\n10,99.9\n20,100\n40,100.4\n")
        for table in ("films.csv", "falling.csv", "bright.csv"):
            yield f"resin {table}", printed("resin", table)
        yield "resin --known", printed("resin", "--known")
        Path("plain.toml").write_text(JOBS["plain"])
        Path("study.toml").write_text(
            '[study]\njobs = ["plain.toml"]\nrepeats = 1\nbound_iterations = 20\n'
            '[study.set]\n"design.iterations" = 3\n[study.vary]\n"design.loss" = ["soft_window", "logistic"]\n'
        )
        yield "compare", printed("compare", "study.toml")
        yield "compare, again", printed("compare", "study.study.h5", "--rank-by", "window_relative")
    finally:
        os.chdir(before)


def main(names: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for name in names or JOBS:
            place = Path(folder) / name
            place.mkdir()
            for command, text in texts(name, place):
                print(f"\n===== {name}: {command} =====\n{text}")
        if not names:
            for command, text in others(Path(folder)):
                print(f"\n===== {command} =====\n{text}")


if __name__ == "__main__":
    main(sys.argv[1:])
