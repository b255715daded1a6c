"""What the design will take of the machine that it is to run on."""

import math
from collections.abc import Callable
from dataclasses import replace

from lightlathe.judge.case import Case
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import count, duration, large, rounded_up, size

HOUR_S = 3600.0
HAIR = 1e-6  # of a slice: 4 mm in voxels of 0.1 mm are 40, not 41
FEWEST_COPIES = 6  # of the patterns, that any solver here holds: solve/memory.py
ROOM = 0.8  # of the free memory: more than that leaves no room for what else runs (no source)
FINE_BYTES = 12  # a voxel of the finer grid: dose and coverage float32, judged uint8, solid and two masks bool
LARGEST = 1000.0  # times: beyond, no larger voxel is worth naming
ON_A_CARD = " beside the driver's own memory"  # some hundred MB, which no design changes
SCRATCH_BYTES = 26  # a voxel of one slab while figures are counted, measured here
SLAB_VOXELS = 1 << 24  # judge/order.py counts no more at a time


def slices(case: Case) -> int:
    """Slices of the job's grid: the part and its margin at either end."""
    return math.ceil(case.part_height_mm / case.voxel_mm * (1 - HAIR)) + 2 * case.margin_voxels


def voxels(case: Case) -> int:
    """Voxels of the job's grid: the whole vial across, the part and its margin in height."""
    across = math.ceil(2 * case.vial_radius_mm / case.voxel_mm)
    return across * across * slices(case)


def array_bytes(case: Case) -> float:
    """What the arrays take at the peak: float32 that the solver holds at once, and the print on the finer grid."""
    patterns = case.angles * case.columns * case.rows
    solver = 4.0 * (case.pattern_copies * patterns + case.volume_copies * voxels(case))
    return solver + finer_bytes(case)


def finer_bytes(case: Case) -> float:
    """Memory of judging the print on the finer grid: its volumes, views for as many slices, scratch."""
    if case.finer == 1:
        return 0.0
    fine = voxels(case) * case.finer**3
    views = 4.0 * case.angles * case.columns * slices(case) * case.finer
    return FINE_BYTES * fine + SCRATCH_BYTES * min(fine, SLAB_VOXELS) + views


def design_bytes(case: Case) -> float:
    """Memory that the program needs in all: itself and its arrays."""
    return case.program_bytes + array_bytes(case)


def design_s(case: Case) -> float:
    """Time of the design: one product with the operator and one with its transpose each iteration. NaN if unknown."""
    if case.updates_per_s is None:
        return math.nan
    iteration = 2.0 * voxels(case) * case.angles / case.updates_per_s
    return case.begin_s + case.iterations * max(iteration, case.least_iteration_s)


def _larger(case: Case, enough: Callable[[Case], bool]) -> str:
    """How much larger voxels, and pixels where these are no coarser by then, make it enough; empty where none do."""
    for what, times_pixels in (("voxels", 0), ("voxels and pixels", 1)):
        times, other = 1.0, case
        while not enough(other) and times < LARGEST:
            times *= 1.05
            pixels = float(rounded_up(times)) ** times_pixels
            other = replace(
                case,
                voxel_mm=case.voxel_mm * float(rounded_up(times)),
                pixel_mm=case.pixel_mm * pixels,
                columns=math.ceil(case.columns / pixels),
                rows=math.ceil(case.rows / pixels),
            )
        if times < LARGEST and (times_pixels or other.voxel_mm <= other.pixel_mm):
            return f"{what} {rounded_up(times)} times as large, "
    return ""


def effort(case: Case) -> Reason:
    """Memory and time of the design."""
    need, arrays, time = design_bytes(case), array_bytes(case), design_s(case)
    text = (
        f"{large(voxels(case))} voxels, {count(case.angles, 'image')}: the design takes about {size(need)}"
        f"{'' if case.program_bytes else ON_A_CARD}"
    )
    if not math.isnan(time):
        text += f", its iterations {duration(time, 2) if time >= 1 else 'less than a second'}"
    free = case.memory_free_bytes
    if free is not None and need > ROOM * free:
        larger = _larger(case, lambda other: design_bytes(other) <= ROOM * free)
        least = replace(case, pattern_copies=min(case.pattern_copies, FEWEST_COPIES))
        fewer = "a solver that keeps fewer copies, " if design_bytes(least) <= ROOM * free else ""
        change = f"{larger}{fewer}or a bigger machine." if larger + fewer else "a bigger machine."
        fits = [n for n in range(1, case.finer) if design_bytes(replace(case, finer=n)) <= ROOM * free]
        if fits:
            change = f"finer = {fits[-1]} in [grid]; or {change}"
        return Reason(
            "effort",
            # the program itself may be in memory already
            "does not fit this machine" if arrays > 1.5 * free else "marginal",
            f"{text}; {size(free)} are free on {case.machine}.",
            need,
            free,
            "bytes",
            change,
        )
    if time > HOUR_S:
        change = f"{_larger(case, lambda other: design_s(other) <= HOUR_S)}fewer iterations, or a graphics card."
        return Reason("effort", "marginal", f"{text}.", time, HOUR_S, "s", change)
    return Reason("effort", "will work", f"{text}.", need, free, "bytes")
