"""Job files that are made to hurt, or hurt by accident: one short error each, and nothing of theirs is run."""

import json
import os
import sys
from pathlib import Path

import pytest
import trimesh

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.errors import JobError, LightlatheError
from lightlathe.feasibility import check, quick_check
from lightlathe.feasibility.quick_check import CHECK_ACROSS, check_grid
from lightlathe.flow.solids import load_solids
from lightlathe.job import load_job, parse_job
from lightlathe.job.bounds import BY_NAME, BY_UNIT, bounds_of
from lightlathe.quantities import Grid

SHAPE = 'shape = { kind = "cylinder", radius_mm = 2.0, height_mm = 1.0 }'
LONG = "x" * 200_000


@pytest.fixture
def parse(small_job, tmp_path):
    """Parses the small job after one replacement in its text."""

    def changed(old, new):
        text = small_job()
        assert old in text
        return parse_job(text.replace(old, new, 1), name="test", folder=tmp_path, file="test.toml")

    return changed


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[part]", f"[part]\ndeep = {'[' * 500}{']' * 500}", ["deep"]),
        ("[part]", f"[part]\ndeep = {'[' * 40}{']' * 40}", ["more than 16 deep"]),
        ("[part]", f"[part]\n{'a.' * 60}a = 1", ["more than 16 deep"]),
        ("[part]", f"[part]\n{'a.' * 30_000}a = 1", ["more than 64 parts"]),
        ("[part]", "[part]\n" + '"/" . ' * 30_000 + "a = 1", ["more than 64 parts"]),
        ("[part]", f"[part]\n{LONG} = 1", ["[part]", "unknown key", "200002 characters"]),
        ("[vial]", f"[{LONG}]", ["unknown table", "200002 characters"]),
        (SHAPE, f'shape = "{LONG}"', ["[part.shape]", "unknown kind", "200002 characters"]),
        (SHAPE, f'mesh = "a.stl"\nunit = "{LONG}"', ["[part]", "unit is", "expected one of um, mm"]),
        (SHAPE, f'mesh = "{LONG}.stl"', ["[part]", "too long", "255"]),
        (SHAPE, f'mesh = "{"a/" * 3000}a.stl"', ["[part]", "too long", "4096"]),
        (SHAPE, 'mesh = "a\\u0000.stl"', ["[part]", "control characters"]),
        (SHAPE, 'mesh = "a\u202elts.stl"', ["[part]", "'a\\u202elts.stl' is no path", "control characters"]),
        (SHAPE, 'mesh = ""', ["[part]", "is no path"]),
        (SHAPE, 'mesh = "~nosuchuser/a.stl"', ["[part]", "home folder that is not known"]),
        ("[design]", '[output]\nresult = "a\\u0000"\n[design]', ["[output]", "control characters"]),
        ("[design]", '[design]\nstart = { kind = "earlier", result = "\\u0000" }', ["[design.start]", "control char"]),
        ("[design]", '[design]\nloss = "\\u0000.py:loss"', ["[design.loss]", "control characters"]),
        ("[design]", f'[design]\nloss = "{LONG}.py:loss"', ["[design.loss]", "too long"]),
        ("[design]", '[design]\nkernel = "nosuch"', ["[design]", "kernel is 'nosuch'", "reference"]),
        ("[design]", f'[design]\nkernel = "{LONG}"', ["[design]", "kernel is"]),
        ("voxel_mm = 0.25", "voxel_mm = 1e-200", ["[grid]", "voxel_mm is 1e-200", "1 nm to 1 m"]),
        ("pixel_mm = 0.25", "pixel_mm = 5e-324", ["[light]", "pixel_mm is 5e-324", "1 nm to 1 m"]),
        ("diameter_mm = 10", "diameter_mm = 1e12", ["[vial]", "inner_diameter_mm is 1000000000000.0", "1 nm to 1 m"]),
        (SHAPE, 'mesh = "a.stl"\nscale = 1e150', ["[part]", "scale is 1e+150", "1e-6 to 1e6"]),
        ("radius_mm = 2.0", "radius_mm = 2e3", ["[part.shape]", "radius_mm is 2000.0", "1 nm to 1 m"]),
        (SHAPE, 'mesh = "a.stl"\nshift_mm = [0, 0, 1e300]', ["[part]", "shift_mm is 1e+300"]),
        ("columns = 40", f"columns = {2**62}", ["[light]", "columns is 4611686018427387904", "100000 at most"]),
        ("angles = 60", "angles = 10000000", ["[turn]", "angles is 10000000", "a million"]),
        ("[design]", "[design]\nlevel_limit = 1e300", ["[design]", "level_limit is 1e+300"]),
        ("[design]", "[design]\ntolerance_mm = 2.0", ["[design]", "tolerance is 2 mm", "a tenth of the vial's 10 mm"]),
        ("[design]", "[design]\ntolerance_voxels = 9", ["[design]", "tolerance is 2.25 mm"]),
        ("[design]", f"[design]\nrobust = {{ dose_percent = {[0] * 1001} }}", ["1001 scenarios", "1000 at most"]),
        ("[design]", "[design]\nrobust = { absorption_percent = [0, -100] }", ["-100", "-99 percent or more"]),
        ("[part]", "[[part]]\n" + f"{SHAPE}\n[[part]]\n" * 1000, ["1001 [[part]] tables; expected 1000"]),
        ("[part]", '[part]\n"\\u001b[2J" = 1', ["unknown key '\\x1b[2J'"]),
        ("solid_above", "wavelength_nm = 0.0\nsolid_above", ["wavelength_nm"]),
        ("rows = 20", f"rows = 20\nresponse = {{ kind = 'table', code = {[0, 1] * 9999}, relative_light = [0, 1] }}",
         ["[light.response]", "code is [0.0, 1.0, ", "rising"]),
    ],
)  # fmt: skip
def test_one_short_error(parse, old, new, words):
    with pytest.raises(JobError) as caught:
        parse(old, new)
    said = str(caught.value)
    for word in ("test.toml", *words):
        assert word in said
    assert len(said) < 600
    assert all(c.isprintable() or c == "\n" for c in said)


def test_what_a_real_job_holds_is_within_all_bounds(parse):
    """A part in metres read as micrometres, a metre of vial, places that are rounding errors: the check judges them."""
    assert parse("inner_diameter_mm = 10", "inner_diameter_mm = 1000").vial.inner_diameter_mm == 1000
    assert parse(SHAPE, 'mesh = "a.stl"\nscale = 1e-6\nshift_mm = [5.5e-17, 0, 0]').parts[0].shift_mm[0] == 5.5e-17
    assert parse("[design]", "[design]\ntolerance_voxels = 4").tolerance_mm == 1.0
    with pytest.raises(JobError, match=f"seed is {2**63 - 1}, and nothing in this job draws"):
        parse("[design]", f"[design]\nseed = {2**63 - 1}")


def test_the_longest_unit_decides():
    assert bounds_of("absorption_per_mm") == BY_UNIT["_per_mm"] != BY_UNIT["_mm"]
    assert bounds_of("viscosity_pa_s") == BY_UNIT["_pa_s"] != BY_UNIT["_s"]
    assert bounds_of("columns") == BY_NAME["columns"]
    assert all(least < most for least, most, _ in (*BY_UNIT.values(), *BY_NAME.values()))


def test_a_job_file_without_end_is_refused(tmp_path):
    (tmp_path / "long.toml").write_text("#" * 1_000_001)
    with pytest.raises(JobError, match=r"long\.toml: more than 1 MB; expected a job file of a few kB"):
        load_job(tmp_path / "long.toml")
    if Path("/dev/zero").exists():
        with pytest.raises(JobError, match="more than 1 MB"):
            load_job("/dev/zero")
    with pytest.raises(JobError, match="cannot read the job file"):
        load_job("a\0b.toml")
    with pytest.raises(JobError, match="cannot read the job file"):
        load_job("a" * 5000)


@pytest.mark.parametrize("unit", ["um", "\u00b5m", "\u03bcm"])
def test_micrometres_in_each_way_to_write_them(small_job, tmp_path, unit):
    """U+00B5 is the micro sign, U+03BC the Greek letter: Unicode Standard, Letterlike symbols."""
    trimesh.creation.box((1000, 1000, 500)).export(tmp_path / "box.stl")
    text = small_job().replace(SHAPE, f'mesh = "box.stl"\nunit = "{unit}"')
    solids, _ = load_solids(parse_job(text, name="t", folder=tmp_path))
    assert solids[0].form.size_mm.tolist() == pytest.approx([1.0, 1.0, 0.5])
    assert solids[0].unit == "um"


@pytest.mark.skipif(sys.platform == "win32", reason="HOME is where ~ is, on POSIX")
def test_a_tilde_is_the_home_folder(parse, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", os.fspath(tmp_path / "home"))
    job = parse(SHAPE, 'mesh = "~/parts/a.stl"')
    assert job.path(job.parts[0].mesh) == tmp_path / "home" / "parts" / "a.stl"
    assert job.path("parts/~a.stl") == tmp_path / "parts" / "~a.stl"


@pytest.fixture
def written(small_job, tmp_path, monkeypatch):
    """Writes the small job after one replacement as job.toml, here."""
    monkeypatch.chdir(tmp_path)

    def write(old, new):
        (tmp_path / "job.toml").write_text(small_job(iterations=2).replace(old, new, 1))

    return write


def test_a_missing_mesh_is_the_same_error_in_check_and_design(written, capsys):
    written(SHAPE, 'mesh = "none.stl"\nunit = "mm"')
    said = set()
    for command in ("check", "design"):
        assert main([command, "job.toml"]) == 1
        said.add(capsys.readouterr().err)
    assert len(said) == 1
    assert "none.stl: there is no such file; expected a mesh file" in said.pop()


@pytest.mark.parametrize("device", ["meta", "mps", "gpu", "cpu:x", LONG, "cuda:99"])
def test_check_knows_the_devices(written, capsys, device):
    written("[design]", f'[design]\ndevice = "{device}"')
    assert main(["check", "job.toml"]) == 1
    said = capsys.readouterr().err
    assert said.startswith("JobError: device in [design] is '")
    assert len(said) < 400


OWN = "with open('ran', 'a') as f: f.write('x')\ndef loss(dose, target):\n    return (1 - dose).square().mean()\n"


def test_check_runs_no_file_and_design_says_which_it_runs(written, capsys, tmp_path):
    (tmp_path / "mine.py").write_text(OWN)
    written("[design]", '[design]\nloss = "mine.py:loss"\nbound_iterations = 0')
    file = str(tmp_path / "mine.py")
    assert main(["check", "job.toml"]) in (0, 3)
    assert f"`design` runs {file}" in capsys.readouterr().out
    assert main(["check", "job.toml", "--json"]) in (0, 3)
    assert json.loads(capsys.readouterr().out)["design_would_run"] == [file]
    assert not (tmp_path / "ran").exists()
    main(["design", "job.toml", "-o", "a.lathe.h5"])
    said = capsys.readouterr().out
    assert said.index(f"running {file}") < said.index("  overlap")
    assert (tmp_path / "ran").read_text() == "x"
    (tmp_path / "ran").unlink()
    (tmp_path / "mine.py").unlink()
    assert main(["predict", "a.lathe.h5"]) in (0, 3, 4)  # a result needs no file of its job
    assert not (tmp_path / "ran").exists()


def test_a_study_says_which_files_it_runs_and_runs_them_first(written, capsys, tmp_path):
    (tmp_path / "mine.py").write_text(OWN + "def other(dose, target): return 1.0\n")
    written("[design]", "[design]\nbound_iterations = 0")
    losses = '[study.vary]\n"design.loss" = ["gap_hinge", "mine.py:loss", "mine.py:{}"]\n'
    (tmp_path / "study.toml").write_text('[study]\njobs = ["job.toml"]\nrepeats = 1\n' + losses.format("none"))
    assert main(["compare", "study.toml"]) == 1
    assert "no function or class 'none'" in capsys.readouterr().err
    assert not (tmp_path / "ran").exists()
    (tmp_path / "study.toml").write_text('[study]\njobs = ["job.toml"]\nrepeats = 1\n' + losses.format("other"))
    assert main(["compare", "study.toml"]) == 1
    said = capsys.readouterr()
    assert f"running {tmp_path / 'mine.py'}" in said.out
    assert "mine.py:other': gives float" in said.err
    assert (tmp_path / "ran").exists()
    assert not (tmp_path / "study.study.h5").exists()  # no design was made before the files had been tried


def test_a_file_that_fails_ends_a_design_before_its_work(written, capsys, tmp_path):
    (tmp_path / "mine.py").write_text(OWN + "raise OSError('no disk')\n")
    written("[design]", '[design]\nloss = "mine.py:loss"')
    assert main(["design", "job.toml"]) == 1
    error = capsys.readouterr().err
    assert "mine.py does not run: OSError: no disk" in error
    assert "design:" not in error  # no progress bar
    assert sorted(p.name for p in tmp_path.iterdir()) == ["job.toml", "mine.py", "ran"]


def test_images_that_cannot_fit_are_known_before_the_work(parse):
    """Columns and rows that do not reach the part take nothing, however many: finer pixels do."""
    size = "pixel_mm = 0.25\ncolumns = 40\nrows = 20"
    large = pipeline.prepare(parse(size, "pixel_mm = 0.25\ncolumns = 100000\nrows = 100000"))
    assert large.operator.pattern_shape == pipeline.prepare(parse(size, size)).operator.pattern_shape
    job = parse(size, "pixel_mm = 1e-4\ncolumns = 100000\nrows = 100000")
    with pytest.raises(JobError, match=r"the lit pixels of all images of a turn take|one slice at a time takes"):
        pipeline.prepare(job)
    assert check(job).level == "does not fit this machine"


def test_many_solids_share_the_voxels_that_the_check_looks_at(parse, monkeypatch):
    """Work grows with the number of solids times voxels; both together are bounded."""

    seen = []
    monkeypatch.setattr(quick_check, "voxels", lambda job, solids, grid, device: seen.append(grid) or _stop())
    for solids in (1, 100):
        job = parse(f"[part]\n{SHAPE}", f"[[part]]\n{SHAPE}\n" * solids)
        job = parse_job(job.text.replace("voxel_mm = 0.25", "voxel_mm = 0.01"), name="t", folder=job.folder)
        with pytest.raises(LightlatheError, match="seen"):
            check(job)
    assert seen[0].voxels <= quick_check.CHECK_VOXELS
    assert 100 * seen[1].voxels <= quick_check.FEW_SOLIDS * quick_check.CHECK_VOXELS


def test_a_needle_of_voxels_is_looked_at_in_few():
    """Each size shrinks in step with the others: a grid 16 voxels wide ends at one, not at the wider vial of rounding
    up again and again."""
    look = check_grid(Grid((16, 16, 5_328_420), voxel_mm=0.25), 1)
    assert look.shape[2] <= CHECK_ACROSS
    assert look.shape[:2] == (1, 1)
    assert check_grid(Grid((100, 100, 80), voxel_mm=0.25), 1) == Grid((100, 100, 80), voxel_mm=0.25)


def test_a_part_that_is_nowhere_is_a_verdict_beside_an_insert_as_well(parse):
    outside = SHAPE.replace("}", ", at_mm = [8.0, 0.0, 0.0] }").replace("2.0", "1.0")
    assert check(parse(f"[part]\n{SHAPE}", f"[part]\n{outside}")).level == "cannot work"
    insert = '[[part]]\nrole = "insert"\nshape = { kind = "sphere", radius_mm = 0.5 }\n'
    assert check(parse(f"[part]\n{SHAPE}", f"{insert}[[part]]\n{outside}")).level == "cannot work"


def _stop():
    raise JobError("seen")
