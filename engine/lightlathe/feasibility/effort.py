"""Whether a machine has the memory and the time for a design."""

import math
from collections.abc import Callable
from typing import Any

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.estimates import (
    array_bytes,
    can_be_cut,
    design_bytes,
    design_s,
    file_bytes,
    in_slabs,
    parts,
    slices,
    voxels,
)  # fmt: skip
from lightlathe.feasibility.whole_job import job_s
from lightlathe.flow.slabs import MEMORY_SHARE, Need, Slabs
from lightlathe.judge.verdict import Reason
from lightlathe.solve import PrimalDual
from lightlathe.support.words import count, duration, large, rounded_up, size

HOUR_S = 3600.0
LARGEST = 1000.0  # times: no larger voxel than this is suggested
ON_A_CARD = " beside the driver's own memory"  # some hundred MB, which no design changes
EVEN: dict[str, Any] = {"illumination": None, "dead_columns": (), "dead_rows": ()}  # they belong to a size of the field


def _held(case: Case) -> float:
    """Main memory of a design in slabs; without limit where it does not go in slabs."""
    slabs = in_slabs(case)
    return math.inf if slabs is None else slabs[1].main(slabs[0])


def _larger(case: Case, enough: Callable[[Case], bool]) -> str:
    """By how much voxels (and pixels, if finer) must grow to fit the memory; empty if no size does."""
    light, grid = case.light, case.grid
    for what, times_pixels in (("voxels", 0), ("voxels and pixels", 1)):
        times, other = 1.0, case
        while not enough(other) and times < LARGEST:
            times *= 1.05
            pixels = float(rounded_up(times)) ** times_pixels
            other = case.having(
                grid={"voxel_mm": grid.voxel_mm * float(rounded_up(times))},
                light={
                    "pixel_mm": light.pixel_mm * pixels,
                    "columns": math.ceil(light.columns / pixels),
                    "rows": math.ceil(light.rows / pixels),
                    "axis_offset_pixels": light.axis_offset_pixels / pixels,
                    **EVEN,
                },
            )
        if times < LARGEST and (times_pixels or other.grid.voxel_mm <= other.light.pixel_mm):
            return f"{what} {rounded_up(times)} times as large, "
    return ""


def _shared(case: Case) -> str:
    count_ = case.machine.processes
    return "" if count_ == 1 else f"; shared out evenly to {count_} processes, start and end not counted"


def _slab_words(case: Case, slabs: Slabs, need: Need) -> str:
    """How a design that does not fit at once is cut into slabs, and the main memory that the whole takes."""
    limit = case.design.memory_limit_gb
    room = (
        f"{size(case.machine.memory_free_bytes or 0.0)} are available"
        if limit is None
        else f"the limit is {limit:g} GB"
    )
    if slabs.design is None:
        how = f"the finer grid is judged {count(slabs.fine or 0, 'slice')} at a time"
    else:
        how = f"it goes {slabs.design} of {count(slices(case), 'slice')} at a time"
    held = (
        "" if case.machine.device == "cpu" else f"; the whole takes {size(need.main(slabs))} of main memory beside it"
    )
    return f"; {room}, so {how}{held}"


def effort(case: Case) -> Reason:
    """Memory and time of the design."""
    need, arrays, time = design_bytes(case), array_bytes(case), design_s(case)
    whole = job_s(case, time, voxels(case) * case.turn.angles * parts(case))
    text = (
        f"{large(voxels(case))} voxels, {count(case.turn.angles, 'image')}: the design takes about {size(need)}"
        f"{'' if case.machine.program_bytes else ON_A_CARD}, its iterations "
        f"{duration(time, 2) if time >= 1 else 'less than a second'} and all of it, with proof and judging, roughly "
        f"{duration(whole, 1)} ({case.machine.speed_source}{_shared(case)}), its result {size(file_bytes(case))} of "
        "disk"
    )
    if (case.machine.processes > 1 or case.design.slab_slices is not None) and not can_be_cut(case):
        asked_for = "shared out to processes" if case.machine.processes > 1 else "designed slab by slab (slab_slices)"
        said = (
            f"{text}. Light that spreads over all slices, coarse stages, and scenarios of slices that share rows "
            f"cannot be {asked_for}."
        )
        change = "one process, no slab_slices in [design]."
        return Reason("effort", "cannot work", said, case.machine.processes, 1, "processes", change)
    free = case.machine.memory_free_bytes
    asked = case.design.memory_limit_gb
    slabs = None
    if free is not None and need > min(MEMORY_SHARE * free, math.inf if asked is None else 1e9 * asked):
        slabs = in_slabs(case)
        text += "" if slabs is None else _slab_words(case, *slabs)
        main, held = case.machine.main_free_bytes, 0.0 if slabs is None else slabs[1].main(slabs[0])
        if main is not None and held > MEMORY_SHARE * main:
            text += f", of which {size(main)} are available."
            change = f"{_larger(case, lambda other: _held(other) <= MEMORY_SHARE * main)}or more main memory."
            return Reason("effort", "does not fit this machine", text, held, main, "bytes", change)
    if slabs is None and asked is not None and need > 1e9 * asked:  # the design refuses it
        said = f"{text}; memory_limit_gb = {asked:g} in [design] is less, and it cannot go slab by slab within that."
        change = f"{_larger(case, lambda other: design_bytes(other) <= 1e9 * asked)}or a larger memory_limit_gb."
        return Reason("effort", "does not fit this machine", said, need, 1e9 * asked, "bytes", change)
    if slabs is None and free is not None and need > MEMORY_SHARE * free:

        def fits(other: Case) -> bool:
            return design_bytes(other) <= MEMORY_SHARE * free

        larger = _larger(case, fits)
        lean = case.having(design={"solver": PrimalDual()})
        fewer = "a solver that keeps fewer copies, " if fits(lean) else ""
        change = f"{larger}{fewer}or a bigger machine." if larger + fewer else "a bigger machine."
        if finer := [n for n in range(1, case.grid.finer) if fits(case.having(grid={"finer": n}))]:
            change = f"finer = {finer[-1]} in [grid]; or {change}"
        # the program itself may be in memory already
        level = "does not fit this machine" if arrays > 1.5 * free else "marginal"
        text += f"; {size(free)} are available on {case.machine.name}."
        return Reason("effort", level, text, need, free, "bytes", change)
    if time > HOUR_S:
        change = f"{_larger(case, lambda other: design_s(other) <= HOUR_S)}fewer iterations, or a graphics card."
        return Reason("effort", "marginal", f"{text}.", time, HOUR_S, "s", change)
    return Reason("effort", "will work", f"{text}.", need, free, "bytes")
