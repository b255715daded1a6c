"""Estimates of a design: voxels, lit pixels, memory, seconds, bytes of its result."""

import math

from lightlathe.dose import few_parts, substeps
from lightlathe.dose.focus import bands
from lightlathe.dose.footprint import bins_for, profile_of
from lightlathe.dose.tilt import FINER
from lightlathe.dose.to_views import FINEST
from lightlathe.feasibility.case import Case
from lightlathe.feasibility.machine import BEGIN_S, EACH_S
from lightlathe.flow.lit import lit_field
from lightlathe.flow.operators import column_bins, image_views
from lightlathe.flow.slabs import Need, Slabs, limit_of, need_of, slabs_within
from lightlathe.flow.until_done import expected
from lightlathe.quantities import Field, Grid
from lightlathe.solve import Auto, SlicewiseLBFGS, copies

REL_TOLERANCE = 1e-6  # of a slice: 4 mm in voxels of 0.1 mm are 40, not 41
FINE_BYTES = 12  # a voxel of the finer grid: dose and coverage float32, judged uint8, solid and two masks bool
# bytes in the file for each voxel, lit level and finer voxel: quickstart 4.1 MB for 5.2 by these; a gyroid without a
# finer grid 129 MB at 512 / 360, 977 at 1024 / 720 (benchmarks/JOBS.md)
PACKED = (1.2, 0.5, 0.04)
SCRATCH_BYTES = 18  # a voxel of one slab while figures are counted, measured here
PRODUCTS = {"cpu": 0.45, "cuda": 1.0}  # share of an iteration: measured 0.29 to 0.48 on a CPU; assumed of a card
# more of an iteration for each bin a column of square or blurred pixels: on a CPU at 256 voxels, on a card at 512;
# benchmarks/GPU.md, "Effects of real light"
PIXEL_BINS = {"cpu": 0.4, "cuda": 0.2}
BANDED_BINS = {"cpu": 0.4, "cuda": 1.0}  # where light is a sum of bands of depth, which cards compute by finer bins
# times that a view of rows that spread takes: on a CPU at 256 voxels 4.6, behind a bare vial 6.8; on a card, without
# its matrix units, 21 at 256 and 64 at 512
SPREADING = {"cpu": 5, "cuda": 50}
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
    volumes *= max(1, case.design.scenarios)
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


def can_be_cut(case: Case) -> bool:
    """Whether a design can go slab by slab: see flow/one_stage.py."""
    if case.light.rows_spread or case.design.ladder:
        return False
    return case.design.scenarios == 0 or _by_slice(case)


def _by_slice(case: Case) -> bool:
    """Whether its slices are designed each on its own: they share neither rows of pixels nor light."""
    design, light = case.design, case.light
    own_rows = abs(light.pixel_mm - case.grid.voxel_mm) < 1e-9 * light.pixel_mm and not light.rows_spread
    own_rows = (
        own_rows
        and light.axis_tilt_deg == 0
        and light.footprint.sigma == 0
        and light.defocus(case.resin.refractive_index) is None
    )
    together = design.penalties or not hasattr(design.loss, "each_slice")
    return isinstance(design.solver, Auto | SlicewiseLBFGS) and own_rows and not together


def in_slabs(case: Case) -> tuple[Slabs, Need] | None:
    """The slabs that a design takes where memory does not hold all slices at once, and what they need; None where it
    cannot go slab by slab, and where not even one slice fits."""
    design, machine = case.design, case.machine
    if not can_be_cut(case) or machine.memory_free_bytes is None:
        return None
    across = math.ceil(2 * case.vial.radius_mm / case.grid.voxel_mm)
    grid, field = Grid((across, across, slices(case)), case.grid.voxel_mm), lit(case)
    need = need_of(
        grid, (case.turn.angles, field.lit_columns, field.lit_rows), solver=design.solver, loss=design.loss,
        device=machine.device, finer=case.grid.finer, scenarios=design.scenarios, parts=parts(case),
        bins=column_bins(_column_mm(case), case.grid.voxel_mm) * image_views_of(case) if case.rebinned else 1.0,
    )  # fmt: skip
    limit = limit_of(design.memory_limit_gb, machine.memory_free_bytes, machine.device)
    found = slabs_within(limit, need, grid, case.grid.finer, machine.device)
    return (found, need) if isinstance(found, Slabs) else None


def design_s(case: Case) -> float:
    """Time of the design: one product with the operator and one with its transpose each iteration, and two more for
    each further part of an image's step."""
    machine, iterations = case.machine, expected(case.design.iterations) * (1 + case.design.scenarios)
    updates = 2.0 * voxels(case) * case.turn.angles * image_views_of(case)
    updates *= SPREADING[machine.device] if case.light.rows_spread else 1
    bands_of_depth, bins = _pixels(case)
    per_bin = PIXEL_BINS if bands_of_depth == 1 else BANDED_BINS
    updates *= bands_of_depth * (1 + per_bin[machine.device] * bins)
    iteration = updates / machine.speed(updates) * (1 + PRODUCTS[machine.device] * (parts(case) - 1))
    return BEGIN_S[machine.device] + iterations * (iteration / machine.processes + EACH_S[machine.device])


def file_bytes(case: Case) -> float:
    """Disk that the result takes: packed doses, levels, and what is wanted and printed on the finer grid."""
    levels = case.turn.angles * lit(case).lit_pixels
    fine = voxels(case) * case.grid.finer**3 if case.grid.finer > 1 else 0
    return packed_bytes(voxels(case), levels, fine)


def packed_bytes(own: int, levels: int, fine: int) -> float:
    """Disk of a result of so many voxels, levels, and voxels of the finer grid."""
    return sum(each * count for each, count in zip(PACKED, (own, levels, fine), strict=True))


def _pixels(case: Case) -> tuple[int, int]:
    """Bands of depth, and bins a column, of pixels that are square or blurred; 1 and 0 for plain linear ones."""
    pixel, defocus = case.light.footprint, case.light.defocus(case.resin.refractive_index)
    if pixel.plain and defocus is None:
        return 1, FINER if case.light.axis_tilt_deg else 0
    column_mm = _column_mm(case)
    found = bands(pixel, defocus, column_mm, case.vial.radius_mm)
    columns = lit(case).lit_columns
    if len(found) == 1 and not case.rebinned and not case.light.axis_tilt_deg:
        bins = bins_for(pixel, column_mm, case.grid.voxel_mm / FINEST, columns)
        if profile_of(pixel, bins).support <= 1:
            return 1, 1  # read by their profile, of which a product takes 1.2 times as long
    return len(found), max(bins_for(each, column_mm, case.grid.voxel_mm / FINEST, columns) for _, each in found)


def image_views_of(case: Case) -> int:
    """Views that a design takes of each image: one, where its columns run parallel."""
    if not case.rebinned:
        return 1
    return image_views(substeps(case.turn.step_rad, case.part.radius_mm, _column_mm(case), case.grid.voxel_mm))


def _column_mm(case: Case) -> float:
    return case.light.pixel_mm * case.narrowing
