"""Speeds that a bench kept are what the check of this machine goes by; without any it says what it takes instead."""

import json

import pytest
import torch
from good_case import GOOD, changed, only

from lightlathe.feasibility import Machine, verdict_on
from lightlathe.feasibility.estimates import design_s, voxels
from lightlathe.feasibility.measured import keep, kept_speeds, speeds_in
from lightlathe.flow.until_done import expected
from lightlathe.support.hardware import kept_file, processor

CPU = torch.device("cpu")
ROWS = [
    {"voxels": 256, "angles": 360, "precision": "single", "iteration_s": 4.0},
    {"voxels": 64, "angles": 90, "precision": "single", "iteration_s": 0.02},
    {"voxels": 512, "angles": 360, "precision": "single"},
]
BENCH = {"format": "lightlathe-bench", "format_version": 1, "created_utc": "2026", "program_version": "0", "rows": ROWS}
SPEEDS = ((2 * 64**3 * 90, 2 * 64**3 * 90 / 0.02), (2 * 256**3 * 360, 2 * 256**3 * 360 / 4.0))


def test_what_a_bench_kept_is_found_again_by_model():
    assert kept_speeds(CPU) == ()
    path = keep(BENCH, CPU)
    assert path == kept_file("speed", CPU)
    assert "thread" in path.name
    assert kept_speeds(CPU) == SPEEDS == speeds_in(BENCH)
    assert [found.name for found in path.parent.iterdir()] == [path.name]


def test_another_number_of_threads_is_another_machine():
    keep(BENCH, CPU)
    threads = torch.get_num_threads()
    try:
        torch.set_num_threads(threads + 1)
        assert kept_speeds(CPU) == ()
    finally:
        torch.set_num_threads(threads)
    assert processor()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", json.dumps(BENCH | {"format": "other"}), json.dumps(BENCH | {"rows": [{"iteration_s": 0}]}),
             json.dumps(BENCH | {"rows": [ROWS[0] | {"iteration_s": -1}]})]
)  # fmt: skip
def test_what_cannot_be_read_counts_as_nothing(text):
    path = kept_file("speed", CPU)
    path.parent.mkdir(parents=True)
    path.write_text(text)
    assert kept_speeds(CPU) == ()


def test_a_folder_that_takes_no_file_is_no_error(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert keep(BENCH, CPU) is None
    assert kept_speeds(CPU) == ()


def test_the_size_that_is_nearest_counts():
    machine = Machine(speeds=SPEEDS)
    assert [machine.speed(updates) for updates in (1, 1e8, 1e10, 1e13)] == [SPEEDS[k][1] for k in (0, 0, 1, 1)]
    case = GOOD.having(machine={"speeds": SPEEDS}, turn={"motion": "stepped"})  # of one part an image
    updates = 2 * voxels(GOOD) * 360
    assert design_s(case) == pytest.approx(expected(case.design.iterations) * updates / SPEEDS[1][1])


def test_the_check_says_what_it_goes_by():
    measured = only(verdict_on(GOOD.having(machine={"speeds": SPEEDS})), "effort")
    assert "(as `lightlathe bench` measured)" in measured.text
    assumed = only(verdict_on(changed(cores=16)), "effort")
    assert "(if it is as fast as 16 times a server's core of 2023: `lightlathe bench` measures it here)" in assumed.text
    assert design_s(changed(cores=16)) == pytest.approx(design_s(changed(cores=2)) / 8)
    card = only(verdict_on(GOOD.having(machine={"device": "cuda", "name": "a card with 80 GB"})), "effort")
    assert "(if it is as fast as an H200: `lightlathe bench` measures it)" in card.text
