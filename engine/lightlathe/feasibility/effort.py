"""Memory and time that the design will need on its machine."""

import math
from collections.abc import Callable
from dataclasses import astuple
from typing import Any

from lightlathe.dose import few_parts, substeps
from lightlathe.dose.focus import bands
from lightlathe.dose.footprint import bins_for
from lightlathe.dose.resample import FINEST
from lightlathe.feasibility.case import Case
from lightlathe.feasibility.machine import BEGIN_S, EACH_S
from lightlathe.flow.lit import lit_field
from lightlathe.flow.operators import column_bins, image_views
from lightlathe.flow.until_done import expected
from lightlathe.judge.verdict import Reason
from lightlathe.quantities import Field
from lightlathe.solve import PrimalDual, copies
from lightlathe.support.words import count, duration, large, rounded_up, size

HOUR_S = 3600.0
REL_TOLERANCE = 1e-6  # of a slice: 4 mm in voxels of 0.1 mm are 40, not 41
MEMORY_SHARE = 0.8  # of the free memory; the rest is for other processes (no source)
FINE_BYTES = 12  # a voxel of the finer grid: dose and coverage float32, judged uint8, solid and two masks bool
LARGEST = 1000.0  # times: no larger voxel than this is suggested
ON_A_CARD = " beside the driver's own memory"  # some hundred MB, which no design changes
SCRATCH_BYTES = 18  # a voxel of one slab while figures are counted, measured here
PRODUCTS = {"cpu": 0.45, "cuda": 1.0}  # share of an iteration: measured 0.29 to 0.48 on a CPU; assumed of a card
EVEN: dict[str, Any] = {"illumination": None, "dead_columns": (), "dead_rows": ()}  # they belong to a size of the field
# more of an iteration for each bin a column of square or blurred pixels: on a CPU at 256 voxels, on a card at 512;
# benchmarks/GPU.md, "Effects of real light"
PIXEL_BINS = {"cpu": 0.4, "cuda": 0.2}
BANDED_BINS = {"cpu": 0.4, "cuda": 1.0}  # where light is a sum of bands of depth, which cards compute by finer bins
# times that a view of rows that spread takes: on a CPU at 256 voxels 4.6, behind a bare vial 6.8; on a card, without its
# matrix units, 68 at 256 and 380 at 512
SPREADING = {"cpu": 5, "cuda": 300}
SLAB_VOXELS = 1 << 24  # judge/order.py counts no more at a time


def slices(case: Case) -> int:
    """Slices of the job's grid, whose middle is z = 0: the part and its margin at either end."""
    high_mm = 2 * case.part.farthest_z_mm
    return math.ceil(high_mm / case.grid.voxel_mm * (1 - REL_TOLERANCE)) + 2 * case.grid.margin_voxels


def lit(case: Case) -> Field:
    """The columns and rows that can reach the part: the others cost nothing."""
    size = (case.part.radius_mm, case.part.farthest_z_mm, slices(case), case.grid.voxel_mm)
    return lit_field(case.light, case.vial, case.resin, case.design, *size)


def voxels(case: Case) -> int:
    """Voxels of the job's grid: the whole vial across, the part and its margin in height."""
    across = math.ceil(2 * case.vial.radius_mm / case.grid.voxel_mm)
    return across * across * slices(case)


def array_bytes(case: Case) -> float:
    """Peak memory of the arrays: the solver's float32 arrays, and the print on the finer grid."""
    patterns = case.turn.angles * lit(case).lit_pixels
    arrays, volumes = copies(case.design.solver, case.design.loss, case.machine.device)
    volumes *= max(1, _scenarios(case))
    if parts(case) > 1:  # the sum of the parts, and the part that is added
        arrays, volumes = arrays + 1, volumes + 1
    views = 0.0  # images sorted into views, their own copy
    if case.rebinned:
        views = 4.0 * patterns * image_views_of(case) * column_bins(_column_mm(case), case.grid.voxel_mm)
    views += 4.0 * patterns * _pixels(case)[1]  # on the bins of their pixels
    return 4.0 * (arrays * patterns + volumes * voxels(case)) + finer_bytes(case) + views


def parts(case: Case) -> int:
    """Into how many parts the design cuts each image's step; light sorted into views has more of them instead."""
    if not case.continuous or case.rebinned:
        return 1
    return few_parts(2 * math.pi / case.turn.angles, case.part.radius_mm, case.light.pixel_mm)


def _scenarios(case: Case) -> int:
    """Number of scenarios designed for together, each with its own volumes; 0 for a plain design."""
    robust = case.design.robust
    return 0 if robust is None else 1 + math.prod(len(values) for values in astuple(robust))


def finer_bytes(case: Case) -> float:
    """Memory of judging the print on the finer grid: its volumes, views for as many slices, scratch."""
    if case.grid.finer == 1:
        return 0.0
    fine = voxels(case) * case.grid.finer**3
    views = 4.0 * case.turn.angles * lit(case).lit_columns * slices(case) * case.grid.finer
    return FINE_BYTES * fine + SCRATCH_BYTES * min(fine, SLAB_VOXELS) + views


def design_bytes(case: Case) -> float:
    """Total memory that the program needs: itself and its arrays."""
    return case.machine.program_bytes + array_bytes(case)


def design_s(case: Case) -> float:
    """Time of the design: one product with the operator and one with its transpose each iteration, and two more for
    each further part of an image's step."""
    machine, iterations = case.machine, expected(case.design.iterations) * (1 + _scenarios(case))
    updates = 2.0 * voxels(case) * case.turn.angles * image_views_of(case)
    updates *= SPREADING[machine.device] if case.light.rows_spread else 1
    bands_of_depth, bins = _pixels(case)
    per_bin = PIXEL_BINS if bands_of_depth == 1 else BANDED_BINS
    updates *= bands_of_depth * (1 + per_bin[machine.device] * bins)
    iteration = updates / machine.speed(updates) * (1 + PRODUCTS[machine.device] * (parts(case) - 1))
    return BEGIN_S[machine.device] + iterations * (iteration + EACH_S[machine.device])


def _pixels(case: Case) -> tuple[int, int]:
    """Bands of depth, and bins a column, of pixels that are square or blurred; 1 and 0 for plain linear ones."""
    pixel, defocus = case.light.footprint, case.light.defocus(case.resin.refractive_index)
    if pixel.plain and defocus is None:
        return 1, 0
    column_mm = _column_mm(case)
    found = bands(pixel, defocus, column_mm, case.vial.radius_mm)
    columns = lit(case).lit_columns
    return len(found), max(bins_for(each, column_mm, case.grid.voxel_mm / FINEST, columns) for _, each in found)


def image_views_of(case: Case) -> int:
    """Views that a design takes of each image: one, where its columns run parallel."""
    if not case.rebinned:
        return 1
    return image_views(substeps(case.turn.step_rad, case.part.radius_mm, _column_mm(case), case.grid.voxel_mm))


def _column_mm(case: Case) -> float:
    return case.light.pixel_mm * case.narrowing


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


def effort(case: Case) -> Reason:
    """Memory and time of the design."""
    need, arrays, time = design_bytes(case), array_bytes(case), design_s(case)
    text = (
        f"{large(voxels(case))} voxels, {count(case.turn.angles, 'image')}: the design takes about {size(need)}"
        f"{'' if case.machine.program_bytes else ON_A_CARD}, its iterations "
        f"{duration(time, 2) if time >= 1 else 'less than a second'} ({case.machine.speed_source})"
    )
    free = case.machine.memory_free_bytes
    if free is not None and need > MEMORY_SHARE * free:

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
        text += f"; {size(free)} are free on {case.machine.name}."
        return Reason("effort", level, text, need, free, "bytes", change)
    if time > HOUR_S:
        change = f"{_larger(case, lambda other: design_s(other) <= HOUR_S)}fewer iterations, or a graphics card."
        return Reason("effort", "marginal", f"{text}.", time, HOUR_S, "s", change)
    return Reason("effort", "will work", f"{text}.", need, free, "bytes")
