"""`check` and `design` on jobs that cannot work: the verdict, the exit code, and nothing designed unasked."""

import json

import pytest

from lightlathe.cli.main import main
from lightlathe.result import read_result


@pytest.fixture
def write(small_job, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def job(**changes):
        path = tmp_path / "disc.toml"
        path.write_text(small_job(**changes))
        return str(path)

    return job


def test_a_print_that_works(write, capsys):
    assert main(["check", write()]) == 0
    assert capsys.readouterr().out.startswith("verdict: will work")


def test_a_layer_printer_resin_cannot_work(write, capsys, tmp_path):
    """Penetration depth 0.1 mm in a vial of R = 5 mm: a ring at the wall. Common practice, no source."""
    job = write(absorption=10.0)
    assert main(["check", job, "--json"]) == 4
    said = json.loads(capsys.readouterr().out)
    assert said["verdict"] == "cannot work"
    assert any("ring" in reason["text"] for reason in said["reasons"])
    assert main(["design", job]) == 4  # as the check has it
    assert (
        "the check says: cannot work; nothing was designed (exit code 4). --anyway designs it all the same."
        in capsys.readouterr().err
    )
    assert [p.name for p in tmp_path.iterdir()] == ["disc.toml"]
    assert main(["design", job, "--anyway"]) == 4
    said = capsys.readouterr().out
    assert "warning" in said
    assert "does not print: print and part overlap by" in said


def test_a_part_wider_than_the_vial_is_a_verdict_not_a_crash(write, capsys):
    job = write()
    with open(job) as file:
        text = file.read().replace("radius_mm = 2.0", "radius_mm = 6.0")
    with open(job, "w") as file:
        file.write(text)
    assert main(["check", job]) == 4
    assert "6 mm" in capsys.readouterr().out


def test_what_came_out_gives_the_next_exposure(write, capsys):
    """Too thin means longer, too fat shorter."""
    assert main(["design", write(), "-o", "a.h5"]) == 3  # on the finer grid a quarter of the disc stays liquid
    planned = read_result("a.h5").patterns.exposure_s
    capsys.readouterr()
    exposures = {}
    for words in ("too thin by 0.3 mm", "too fat by 0.3 mm", "nothing"):
        assert main(["predict", "a.h5", "--came-out", words, "--json"]) == 0
        exposures[words] = json.loads(capsys.readouterr().out)
    assert exposures["too thin by 0.3 mm"]["factor"] > 1 > exposures["too fat by 0.3 mm"]["factor"]
    assert exposures["nothing"]["exposure_s"] == pytest.approx(1.5 * planned)  # a leap, see next_exposure.LEAP
    assert main(["predict", "a.h5", "--came-out", "purple"]) == 1
    assert "too thin by 0.1 mm" in capsys.readouterr().err


def test_a_resin_from_a_cure_depth_series(tmp_path, capsys):
    """Jacobs' working curve: Dp 150 um, Ec 10 mJ/cm2 give 300 um at e^2 Ec; each doubling adds 103.97 um."""
    table = tmp_path / "depths.csv"
    rows = ("73.8906,300", "147.7811,403.972", "295.5622,507.944", "591.1245,611.916")
    table.write_text("\n".join(("exposure [mJ/cm2],depth [um]", *rows)) + "\n")
    assert main(["resin", str(table), "--json"]) == 0
    values = json.loads(capsys.readouterr().out)["values"]
    assert values["absorption_per_mm"]["value"] == pytest.approx(1 / 0.150, rel=1e-4)
    assert main(["resin"]) == 1
    assert "no table was named" in capsys.readouterr().err
    assert main(["resin", "--known"]) == 0


def test_scenarios_are_in_the_effort(small_job, tmp_path):
    from lightlathe.feasibility import case_of
    from lightlathe.feasibility.estimates import array_bytes, design_s, voxels
    from lightlathe.flow.solids import load_solids
    from lightlathe.job import parse_job
    from lightlathe.solve import copies

    def case(more):
        job = parse_job(small_job() + more, name="t", folder=tmp_path)
        return case_of(job, load_solids(job)[0])

    plain, robust = case(""), case("robust = { absorption_percent = [-10, 10], axis_offset_mm = [-0.1, 0, 0.1] }\n")
    assert design_s(robust) == pytest.approx(8 * design_s(plain))  # the plain design, then itself and six scenarios
    _, volumes = copies(plain.design.solver, plain.design.loss)
    assert array_bytes(robust) - array_bytes(plain) == 4 * 6 * volumes * voxels(plain)


def test_the_solver_and_the_loss_are_in_the_effort():
    from lightlathe.losses import GapHinge, SoftWindow
    from lightlathe.solve import BoundedLBFGS, FreeSetRamp, copies
    from lightlathe.solve.memory import ROUNDING

    assert copies(BoundedLBFGS(), SoftWindow()) == (15, 9)
    assert copies(BoundedLBFGS(memory=10), GapHinge()) == (17, 18)
    assert copies(FreeSetRamp(), lambda dose, target: dose.sum()) == (10, 18)
    assert copies(object(), GapHinge()) == (14, 18)
    # benchmarks/GPU.md, one H100. A whole job with its rounding: 512 x 512 x 454 voxels, 360 images of 512 x 512
    arrays, volumes = copies(BoundedLBFGS(), SoftWindow(), "cuda")
    assert 7.98 <= 4 * (arrays * 360 * 512**2 + volumes * 512**2 * 454) / 2**30 < 1.25 * 7.98
    # iterations alone, 1024 x 1024 x 1024 voxels, 720 images: 38.9, 46.1 and 30.9 GiB
    for solver, measured in ((BoundedLBFGS(), 38.9), (BoundedLBFGS(memory=10), 46.1), (FreeSetRamp(), 30.9)):
        arrays, volumes = copies(solver, GapHinge(), "cuda")
        assert measured <= 4 * ((arrays - ROUNDING) * 720 * 2**20 + volumes * 2**30) / 2**30 < 1.25 * measured
