"""The measurement: ceilings, both directions and the whole iteration at named sizes, time to a stated quality."""

import datetime
import logging
import time
from typing import Any

import torch

import lightlathe
from lightlathe.bench.ceilings import ceilings
from lightlathe.bench.machine import machine, peak_bytes
from lightlathe.bench.timing import timed, wait
from lightlathe.bench.together import seconds_for, together
from lightlathe.bench.verify import errors
from lightlathe.bench.verify import verify as verify_all
from lightlathe.bench.workloads import WORKLOADS, Workload, that_fit
from lightlathe.dose import DoseOperator
from lightlathe.errors import SolveError
from lightlathe.flow.devices import device_named
from lightlathe.losses import GapHinge
from lightlathe.solve import Filtered, FreeSetRamp, Problem, StopRule, logged_every, normalised, solve
from lightlathe.support.files import BENCH
from lightlathe.support.memory import free_bytes
from lightlathe.support.ranks import ranks
from lightlathe.support.watching import doing

log = logging.getLogger(__name__)

# Multiply-adds per update: two where voxels are summed one by one, 16 bins a voxel on the matrix units.
WORK = {"matrix": 16, "scalar": 2}
ON_SCALAR_UNITS = ("cpu", "reference")  # the other kernels work on the matrix units
WINDOW = 0.05  # of the stated quality: no voxel wrong and this process window


def run(quick: bool = False, device: str = "cpu", verify: bool = False) -> dict[str, Any]:
    """Measure this machine; a dict of plain values, for JSON and for `table` and `against`.

    quick    smaller sizes and fewer repeats: under a minute on 2 cores
    In the first of several processes it also measures what they do at once, for which the others call `together`.

    verify   also every kernel that runs on the device against the reference, at several sizes
    """
    where = device_named(str(device), "device")
    free = free_bytes(where)
    products, whole = that_fit(int(0.8 * free))
    if quick:
        products = [work for work in products if work.voxels <= (512 if where.type == "cuda" else 256)]
        whole = [work for work in whole if work.voxels <= (512 if where.type == "cuda" else 128)]
    top = ceilings(where)
    log.info("ceilings: %s", top)
    result: dict[str, Any] = {
        "format": BENCH,
        "format_version": 1,
        "created_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "program_version": lightlathe.__version__,
        "quick": quick,
        "machine": machine(where) | {"memory_free_bytes": free},
        "ceilings": top,
        "left_out": [work.name for work in WORKLOADS if work not in products],
        "rows": [],
    }
    for precision in ("half", "single") if where.type == "cuda" else ("single",):
        for work in products:
            with doing(f"measuring {work.name}, {precision}: both products"):
                row = products_row(work, where, precision, top, for_s=0.3 if quick else 2.0)
            if row["forward_s"] is not None and work in whole:
                with doing(f"measuring {work.name}, {precision}: whole iterations"):
                    row |= iteration(work, where, precision, row["forward_s"] + row["adjoint_s"])
            log.info("%s", row)
            result["rows"].append(row)
    small = WORKLOADS[0] if quick and where.type == "cpu" else WORKLOADS[1]
    result["design"] = time_to_quality(small, where)
    if ranks().size > 1:
        result["together"] = together(products[-1], where, for_s=seconds_for(quick))
    if verify:
        result["verify"] = verify_all(where)
    return result


def products_row(
    work: Workload, device: torch.device, precision: str, top: dict[str, float], *, for_s: float
) -> dict[str, Any]:
    """Both directions at one size: seconds, GUPS (1e9 updates a second), share of the limit, memory, error.

    A kernel whose error is above what it may have gets no time.
    """
    began = time.perf_counter()
    operator = work.operator(device, precision=precision)
    row: dict[str, Any] = {
        "case": work.name, "voxels": work.voxels, "angles": work.angles, "kernel": operator.kernel,
        "precision": precision, "error_forward": None, "error_adjoint": None, "forward_s": None, "adjoint_s": None,
    }  # fmt: skip
    if device.type == "cuda" or work.voxels <= 128:  # beyond, the reference is too slow on a CPU
        row |= errors(work.operator(device, slices=4, precision=precision), work)
        if not row["right"]:
            return row
    if device.type == "cuda":
        torch.cuda.reset_peak_memory_stats(device)
    patterns = torch.rand(operator.pattern_shape, device=device)
    dose = operator(patterns)
    wait(device)
    row["first_call_s"] = time.perf_counter() - began
    for name, call in (("forward", lambda: operator(patterns)), ("adjoint", lambda: operator.transpose(dose))):
        took = timed(call, device, for_s=for_s)
        row |= {f"{name}_s": took.seconds, f"{name}_fastest_s": took.fastest, f"{name}_spread": took.spread}
        row[f"{name}_gups"] = work.updates / took.seconds / 1e9
        row[f"{name}_of_limit"] = limit_s(operator, work, top) / took.seconds
    row["memory_bytes"] = peak_bytes(device)
    row["input_output_bytes"] = patterns.nbytes + dose.nbytes
    return row


def limit_s(operator: DoseOperator, work: Workload, top: dict[str, float]) -> float:
    """The minimum time that the counted work allows: its multiply-adds, or each number in memory touched once."""
    kind = "scalar" if operator.kernel in ON_SCALAR_UNITS else "matrix"
    arithmetic = WORK[kind] * work.updates / (top[f"{kind}_gmac_s"] * 1e9)
    return max(arithmetic, sum(work.bytes()) / (top["copy_gb_s"] * 1e9))


def iteration(work: Workload, device: torch.device, precision: str, products_s: float) -> dict[str, float]:
    """Seconds of one whole design iteration, and the share of it that is neither of the two products."""
    target = work.target(device)
    problem = Problem(normalised(work.operator(device, precision=precision), target), GapHinge(), target)
    start = torch.ones(problem.operator.pattern_shape, device=device)
    seconds = []
    more = 20 if device.type == "cuda" else 4
    for count in (2, 1, 1 + more):  # the first is not counted: things are compiled and memory is claimed
        began = time.perf_counter()
        solve(problem, FreeSetRamp(), start, iterations=count, log_every=logged_every(device))
        wait(device)
        seconds.append(time.perf_counter() - began)
    each = (seconds[2] - seconds[1]) / more  # what comes once, before and after the loop, drops out
    other = 1 - products_s / each
    return {"iteration_s": each, "iteration_other_share": other, "iteration_memory_bytes": peak_bytes(device)}


@doing("a design to the stated quality")
def time_to_quality(work: Workload, device: torch.device) -> dict[str, Any]:
    """The reference part designed from a filtered start until no voxel is wrong and the window is WINDOW wide."""
    target = work.target(device)
    problem = Problem(normalised(work.operator(device), target), GapHinge(), target)
    began, said = time.perf_counter(), ""
    try:
        outcome = solve(problem, FreeSetRamp(), Filtered(), iterations=40, stop=StopRule(window=WINDOW))
    except SolveError as failed:
        outcome, said = failed.outcome, str(failed)  # type: ignore[attr-defined]
    seconds = time.perf_counter() - began
    figures = {name: outcome.log[name][-1] for name in ("iou", "window_relative")}
    reached = not said and figures["iou"] == 1 and figures["window_relative"] >= WINDOW
    return {
        "part": "tube", "case": work.name, "window_wanted": WINDOW, "reached": reached, "seconds": seconds,
        "iterations": len(outcome.log["iteration"]), "error": said, **figures,
    }  # fmt: skip
