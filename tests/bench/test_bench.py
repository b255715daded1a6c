"""The bench measures what it says and lets no wrong kernel through. No test here looks at how long anything took."""

import json

import pytest
import torch

from lightlathe import bench
from lightlathe.bench import measure, report, verify, workloads
from lightlathe.bench.multiply_adds import turns_of
from lightlathe.bench.workloads import WORKLOADS, Workload, that_fit
from lightlathe.cli.main import main
from lightlathe.dose.kernels import KERNELS, cpu
from lightlathe.errors import JobError

TINY = Workload("tiny", 24, 30)
CPU = torch.device("cpu")
TOP = {"copy_gb_s": 10.0, "matrix_gmac_s": 100.0, "scalar_gmac_s": 100.0}


@pytest.fixture(scope="module")
def result():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workloads, "WORKLOADS", (TINY, Workload("small", 25, 31)))
        patch.setattr(measure, "WORKLOADS", (TINY, Workload("small", 25, 31)))
        patch.setattr(measure, "ceilings", lambda device: TOP)
        patch.setattr(verify, "SIZES", (TINY,))
        return bench.run(quick=True, device="cpu", verify=True)


def test_a_result_is_json_and_both_reports_read_it_back(result):
    again = json.loads(json.dumps(result))
    text, beside = bench.table(again), bench.against(again, again)
    assert "tiny" in text
    assert "small" in text
    assert "reached" in text
    assert "forward GUPS" in beside
    assert " 1.00" in beside


def test_rates_follow_from_times_and_sizes(result):
    """GUPS = voxels^3 * angles / seconds / 1e9, by hand; the limit is 2 multiply-adds an update, or the memory."""
    row = result["rows"][0]
    assert row["forward_gups"] == pytest.approx(24**3 * 30 / row["forward_s"] / 1e9)
    bytes_ = 4 * (30 * 24 * 24 + 24**3)
    least = max(2 * 24**3 * 30 / 100e9, bytes_ / 10e9)
    assert row["adjoint_of_limit"] == pytest.approx(least / row["adjoint_s"])
    assert row["input_output_bytes"] == bytes_


def test_every_kernel_is_verified_or_says_why_not(result):
    rows = result["verify"]
    assert {row["kernel"] for row in rows} == set(KERNELS)
    assert any(row.get("right") for row in rows if row["kernel"] == "cpu")
    for row in rows:
        assert row.get("why_not") or row["right"]


def test_a_wrong_kernel_gets_no_time(monkeypatch):
    right = cpu.deposit
    monkeypatch.setattr(cpu, "deposit", lambda x, views, gain=1.0, most=None: right(x, views, gain) * 1.001)
    row = measure.products_row(TINY, CPU, "single", TOP, for_s=0.0)
    assert row["right"] is False
    assert row["forward_s"] is None
    result = {"rows": [row]}
    assert "WRONG" in " ".join(report._row(result["rows"][0]))


def test_not_a_number_is_wrong(monkeypatch):
    right = cpu.collect
    monkeypatch.setattr(cpu, "collect", lambda x, views, gain=1.0: right(x, views, gain) * float("nan"))
    assert measure.products_row(TINY, CPU, "single", TOP, for_s=0.0)["right"] is False


def test_the_loop_of_multiply_adds_adds_up():
    """k -> 0.999 k + 0.001, three times, for 64 sums: by hand; 1e-5: sums of 64 float32 numbers."""
    wanted = sum((((k * 0.999 + 0.001) * 0.999 + 0.001) * 0.999 + 0.001) for k in range(64))
    assert turns_of(64)(3) == pytest.approx(wanted, rel=1e-5)


def test_sizes_adapt_to_memory():
    """hand: 4 * 360 * 256^2 = 94 MB of patterns and 67 MB of dose; both products hold two of each and as much again."""
    patterns, dose = WORKLOADS[2].bytes()
    assert (patterns, dose) == (4 * 360 * 256**2, 4 * 256**3)
    names = [case.name for case in that_fit(4 * (patterns + dose) + 1)[0]]
    assert names == ["thimble", "thumb", "hand"]
    assert [case.name for case in that_fit(4 * (patterns + dose))[0]] == ["thimble", "thumb"]
    assert "hand" not in [case.name for case in that_fit(4 * (patterns + dose) + 1)[1]]


def test_the_reference_part_is_a_tube_in_the_vial():
    target = TINY.target(CPU)
    assert not bool((target.solid & target.liquid).any())
    assert bool(target.solid.any())
    assert not bool(target.solid[12, 12].any())  # hollow


@pytest.mark.parametrize(
    ("device", "words"),
    [
        ("nosuch", "expected auto, cpu, cuda or cuda:0"),
        ("meta", "expected auto, cpu, cuda or cuda:0"),
        ("cuda", "torch sees no CUDA card"),
        ("cuda:1", "torch sees no CUDA card"),
    ],
)
def test_a_device_that_is_not_there_is_one_error(monkeypatch, capsys, tmp_path, device, words):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(torch.cuda, "is_available", lambda: False)
    assert main(["bench", "--device", device]) == 1
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error
    with pytest.raises(JobError, match=words):
        bench.run(device=device)
    assert list(tmp_path.iterdir()) == []


def test_a_card_beyond_the_last_is_named(monkeypatch):
    monkeypatch.setattr(torch.cuda, "is_available", lambda: True)
    monkeypatch.setattr(torch.cuda, "device_count", lambda: 2)
    with pytest.raises(JobError, match=r"torch sees 2 CUDA card\(s\), counted from cuda:0"):
        bench.run(device="cuda:2")
