"""What the check says of memory, and the larger voxels or coarser print that fit."""

import math
import re
from pathlib import Path

import pytest
from good_case import GOOD, changed, only

from lightlathe.beams import Diverging
from lightlathe.feasibility import case_of, verdict_on
from lightlathe.feasibility.estimates import array_bytes, design_bytes, design_s, file_bytes, in_slabs, voxels
from lightlathe.feasibility.whole_job import job_s
from lightlathe.flow.solids import load_solids
from lightlathe.job import load_job
from lightlathe.job.design import CoarseStage

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
COUPLED = {"ladder": (CoarseStage(2, 10),)}  # coarse stages look at all slices together


def test_the_time_of_the_whole_job():
    """By hand from its parts: 20 s around it, half as much again for the proof, three doses on the finer grid."""
    case = changed(finer=2).having(machine={"speeds": ((1e9, 1e9),)})
    updates = voxels(case) * case.turn.angles
    fine = 3 * 8 * updates / 1e9
    for bound, times in (("auto", 1.5), (0, 1.0)):
        whole = job_s(case.having(design={"bound_iterations": bound}), 100.0, updates)
        assert whole == pytest.approx(20 + 100 * times + fine)
    assert job_s(case.having(grid={"finer": 1}), 100.0, updates) == pytest.approx(170)
    said = only(verdict_on(case), "effort").text
    assert re.search(r"its iterations .* and all of it, with proof and judging, roughly [\d.]+ (s|min)", said)


def test_larger_voxels_fit_where_they_are_named():
    """Voxels alone where pixels are coarser still, else both; what is named fits."""
    for change, names in (
        ({"voxel_mm": 0.01}, "voxels "),
        ({"voxel_mm": 0.05, "pixel_mm": 0.05}, "voxels and pixels "),
    ):
        case = changed(memory_free_bytes=1.5e9, finer=2, **change).having(machine={"device": "cuda"}, design=COUPLED)
        case = changed(case, columns=round(10 / case.light.pixel_mm), rows=round(10 / case.light.pixel_mm))
        said = only(verdict_on(case), "effort")
        assert re.match(rf"(finer = 1 in \[grid\]; or )?{names}[\d.]+ times", said.change)
        times = float(re.search(rf"{names}([\d.]+) times", said.change)[1])
        pixels = times if "pixels" in names else 1.0
        larger = changed(
            case,
            voxel_mm=case.grid.voxel_mm * times,
            pixel_mm=case.light.pixel_mm * pixels,
            columns=math.ceil(case.light.columns / pixels),
            rows=math.ceil(case.light.rows / pixels),
        )
        assert only(verdict_on(larger), "effort").level == "will work"
        assert "beside the driver's own memory" in said.text


def test_the_print_on_a_finer_grid_takes_memory():
    """Peak resident memory of whole designs on the CPU, as Linux counts it (`time -f %M`): 60 iterations, a vial of
    10 mm in voxels of 0.1 mm, 120 images of 100 x 60 pixels, a part 5 mm tall. Estimates may be a tenth off."""
    case = changed(inner_diameter_mm=10.0, radius_mm=2.0, height_mm=5.0, angles=120, columns=100, rows=60)
    for finer, measured in ((1, 0.561e9), (2, 0.689e9), (3, 1.004e9), (4, 1.246e9)):
        assert design_bytes(changed(case, finer=finer)) == pytest.approx(measured, rel=0.1)
    on_a_card = case.having(machine={"device": "cuda"})
    assert design_bytes(on_a_card) - array_bytes(on_a_card) == 0
    assert design_bytes(case) - array_bytes(case) == case.machine.program_bytes > 0
    full = only(verdict_on(changed(finer=4, memory_free_bytes=1.5e9).having(design=COUPLED)), "effort")
    assert full.level != "will work"
    finest = int(re.match(r"finer = (\d)", full.change)[1])  # the advice fits, and none finer does
    needs = [design_bytes(changed(finer=n)) for n in (finest, finest + 1)]
    assert needs[0] <= 0.8 * 1.5e9 < needs[1]
    less = changed(finer=4, memory_free_bytes=3e8).having(design=COUPLED)
    assert "finer" not in only(verdict_on(less), "effort").change


def test_the_voxels_are_those_of_the_grid():
    assert voxels(changed(margin_voxels=0)) == 160 * 160 * 80
    assert voxels(GOOD) == 160 * 160 * 84


def test_what_does_not_fit_at_once_goes_in_slabs():
    """Where light stays near its height; with a limit of the job's too. Else as before."""
    large = {"voxel_mm": 0.02, "pixel_mm": 0.02, "columns": 500, "rows": 500}
    case = changed(memory_free_bytes=12e9, **large)
    said = only(verdict_on(case), "effort")
    assert said.level != "does not fit this machine"
    assert (found := re.search(r"12 GB are available, so it goes (\d+) of 404 slices at a time", said.text))
    cut = in_slabs(case)
    assert cut is not None
    slabs, need = cut
    assert slabs.design == int(found[1])
    assert need.held + slabs.design * need.design <= 0.8 * 12e9 < need.held + 404 * need.design
    limited = only(verdict_on(changed(memory_free_bytes=100e9, memory_limit_gb=9.0, **large)), "effort")
    assert "the limit is 9 GB, so it goes" in limited.text
    blurred = only(verdict_on(changed(case, blur_mm=0.05)), "effort")
    assert "at a time" in blurred.text  # with slices of the neighbouring slabs
    lens = changed(case, beam=Diverging(throw_ratio=1.4))
    assert "at a time" not in only(verdict_on(lens), "effort").text
    assert in_slabs(lens) is None
    card = changed(case, memory_free_bytes=3e9).having(machine={"device": "cuda"})
    assert "GB of main memory beside it" in only(verdict_on(card), "effort").text
    short = only(verdict_on(card.having(machine={"main_free_bytes": 5e8})), "effort")
    assert short.level == "does not fit this machine"
    assert "of main memory beside it, of which 0.5 GB are available" in short.text


def test_processes_share_out_the_iterations():
    """As long as slices can be told apart; the time beside them stays."""
    case = changed(iterations=400, voxel_mm=0.1)
    four = case.having(machine={"processes": 4})
    assert design_s(four) == pytest.approx(design_s(case) / 4, rel=1e-6)  # on a CPU nothing is beside them
    assert "shared out evenly to 4 processes" in only(verdict_on(four), "effort").text
    assert only(verdict_on(four.having(design=COUPLED)), "effort").level == "cannot work"


def test_the_size_of_the_file():
    """Quickstart's result has 4.1 MB: 125 x 125 x 106 voxels, 480 images of 102 x 104 lit pixels, finer = 2."""
    job = load_job(CONFIGS / "quickstart.toml")
    assert file_bytes(case_of(job, load_solids(job)[0])) == pytest.approx(4.1e6, rel=0.5)


def test_what_the_design_refuses_the_check_refuses():
    """A limit below one slice, or of a design that cannot be cut; slabs that are asked for where slices are tied."""
    small = only(verdict_on(changed(memory_limit_gb=0.3, memory_free_bytes=30e9)), "effort")
    assert small.level == "does not fit this machine"
    assert "or a larger memory_limit_gb" in small.change
    tied = changed(memory_free_bytes=30e9, slab_slices=4).having(design=COUPLED)
    assert only(verdict_on(tied), "effort").level == "cannot work"
    lens = changed(beam=Diverging(throw_ratio=1.4), memory_limit_gb=0.6, memory_free_bytes=30e9)
    assert only(verdict_on(lens), "effort").level == "does not fit this machine"
