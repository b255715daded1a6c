"""The dose kernels in CUDA for compute capability 9.0 (H100, H200): the fastest, in halves only.

Built at first use from cuda_hopper.cu by the run-time compiler that torch brings. The scheme is that of triton.py, with
weights made in the registers that the matrix instructions read, and light and voxels laid out for bulk copies.
What bins are like and whether chords end is compiled in: one program for each such shape (`Shape`).
Repeats: bit-equal, no atomics. Memory: one copy of the light in halves, two of the voxels.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import torch
from torch import Tensor

from lightlathe.dose.kernels.cuda_runtime import Program, TensorMap
from lightlathe.dose.kernels.directions import blocks, bounds, groups, opposites, reach, vial
from lightlathe.dose.kernels.hopper_ends import FEW, Run, collect_runs, deposit_runs, too_many
from lightlathe.dose.kernels.self_test import fault
from lightlathe.dose.kernels.shares import shares
from lightlathe.gpu.packed import LaidOut

WINDOWS, INNER = (24, 32, 48), 16  # bins of a tile, and of an inner product: as in cuda_hopper.cu
STAGE_MEMORY = 2 * 16 * 16 * 384
PAIR_BYTES, PAIRS, RUNS = 2 * 32 * 128, 20, 5000
ROWS = 4 * 16 * 132  # bytes of 16 rows of 128 numbers, as in cuda_many_ends.cu
BEHIND = 4 * (16 * 256 + ROWS)
ABSORPTION_AT_MOST = 10.0  # weights of voxels outside the vial, which are dropped, must stay below 65504 = exp(11.1)
MIDDLE_STEP = 2.0**-11  # so a shift is off by a 4000th of a bin at most, half of what halves do to a weight
MAX_DIRECTIONS = 2000  # at once: a table of them lies in shared memory
SLACK = 0.02  # bins, for rounding where a window begins


@dataclass(frozen=True)
class Shape:
    """What the program is compiled for: bins that a tile reads, inner products of 16 bins that an eighth of it takes at
    most, knots a bin of a pixel's profile (0: linear pixels)."""

    window: int
    steps: int
    knots: int

    @staticmethod
    def of(views) -> "Shape | None":
        """None where tiles read too many bins."""
        per_voxel = math.sqrt(2) * views.voxel_mm / views.bin_mm
        beside = 2 * (1.0 if views.profile is None else views.profile.support) + SLACK
        window = next((w for w in WINDOWS if 15 * per_voxel + beside <= w), None)
        steps = next((n for n in (1, 2) if 7 * per_voxel + beside <= INNER * n), None)
        if window is None or steps is None:
            return None
        return Shape(window if steps == 1 else WINDOWS[-1], steps, 0 if views.profile is None else views.profile.knots)


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    if dtype != torch.float32:
        return f"it computes in float32, not {dtype}"
    if views.precision != "half":
        return f"it works in halves, and precision is '{views.precision}'; kernel 'triton' has both"
    if views.band is not None:
        return "its light has no weight by depth, and these views have; kernel 'triton' has both"
    if views.spread is not None:
        return "its rows stay level, and these spread with depth"
    if views.lines is not None:
        return "its bins are parallel and evenly spaced, and these chords are not; kernel 'triton' has both"
    shape = Shape.of(views)
    if shape is None:
        wide = views.bin_mm / views.voxel_mm
        return f"its tiles take {WINDOWS[-1]} bins at most, and these are {wide:.3g} voxels wide"
    if views.ends is not None and (views.profile is not None or (shape.steps > 1 and too_many(views))):
        return f"light of such bins ends at {FEW} cross-sections one above the other at most, of linear pixels"
    if reach(views) > 2048:
        return (
            f"it takes 2048 voxels or bins across, and this is {views.nx} x {views.ny}, {views.bins} bins "
            f"{views.middle_mm:g} mm off the axis"
        )
    if views.ends is not None and views.angles > MAX_DIRECTIONS:
        return f"light ends at inserts in {MAX_DIRECTIONS} angles at most, and this is {views.angles}"
    absorbed = views.absorption_per_mm * math.hypot(views.nx, views.ny) / 2 * views.voxel_mm
    if absorbed > ABSORPTION_AT_MOST:
        return f"absorption over half the grid's diagonal is {absorbed:.1f}, beyond its halves"
    if device.type != "cuda":
        return f"it runs on NVIDIA cards, not on {device}"
    if torch.version.cuda is None or torch.cuda.get_device_capability(device) != (9, 0):
        return f"{torch.cuda.get_device_name(device)} has no warp-group matrix instructions (compute capability 9.0)"
    kinds = None if views.ends is None else (type(views.ends), type(views.ends.shadows))
    finer = 1 if shape.steps == 1 else 2
    return fault(
        deposit, collect, type(views), "half", device, off_axis=views.middle_mm != 0, inserts=kinds, finer=finer,
        profile=views.profile,
    )  # fmt: skip


def _shape(views) -> Shape:
    """Of views that the kernel takes."""
    shape = Shape.of(views)
    assert shape is not None
    return shape


def _middle(views) -> float:
    return round(views.middle_bins / MIDDLE_STEP) * MIDDLE_STEP


@lru_cache(maxsize=32)
def _program(device: torch.device, shape: Shape, ends: int = 0) -> Program:
    """ends   as ENDS in cuda_hopper.cu"""
    here = Path(__file__)
    names = ["cuda_hopper.cu", *(["cuda_many_ends.cu"] if ends == 2 else [])]
    source = "\n".join(here.with_name(name).read_text() for name in names)
    return Program(source, "sm_90a", WINDOW=shape.window, STEPS=shape.steps, KNOTS=shape.knots, ENDS=ends)


def _ends(run: Run) -> int:
    return 0 if run.ends is None else 1 if run.many is None else 2


@lru_cache(maxsize=16)
def _profile(views, device: torch.device) -> tuple[Tensor | None, float]:
    """(knot, 2) the profile half way from each knot to the next and how much more the next has, from 9 bins before a
    window to its end; bins from the middle beyond which there is no light."""
    profile = views.profile
    if profile is None:
        return None, 1.0
    steps = _shape(views).steps
    first, last = -(9 + INNER * steps) * profile.knots, INNER * steps * profile.knots
    knot = torch.arange(first, last + profile.knots + 1)
    value = profile.at(knot.double() / profile.knots)
    return torch.stack([(value[:-1] + value[1:]) / 2, value.diff()], 1).float().contiguous().to(device), profile.support


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, slice) of views (angle, bin, slice), none above `most` if that is known, times gain."""
    device, nz = views_array.device, views_array.shape[2]
    if views.angles > MAX_DIRECTIONS:
        dose = torch.zeros(views.dose_shape(nz), device=device, dtype=torch.float32)
        for which, share in shares(views, MAX_DIRECTIONS):
            dose += deposit(views_array[which].contiguous(), share, gain, most)
        return dose
    dose = torch.empty(views.dose_shape(nz), device=device, dtype=torch.float32)
    if nz == 0:
        return dose
    table, member = opposites(views, device)
    low, high = torch.aminmax(views_array) if most is None else bounds(most, device)
    octets = math.ceil(nz / 8)
    light = torch.empty(2 * len(table), octets, 8 * views.bins, device=device, dtype=torch.float16)
    radius, _, decay, limit = vial(views)
    shape, (profile, support) = _shape(views), _profile(views, device)
    with torch.cuda.device(device):
        grid = (math.ceil(views.bins / 32), math.ceil(octets / 8), 2 * len(table))
        _program(device, shape).launch("light_to_halves", grid, (32, 8), 0,
                                       views_array, low, high, member, light, views.bins, nz, octets)  # fmt: skip
        words = light.view(torch.int32)
        boxes = TensorMap(words, tuple(words.shape), (1, 16, 4 * shape.window))
        for run in deposit_runs(views, nz, table, member, shape.steps):
            many, blocks_along = run.many, math.ceil((run.end - run.first // 8 * 8) / 128)
            grid = (math.ceil(views.nx / 16) * math.ceil(views.ny / 16), blocks_along)
            shared = STAGE_MEMORY + (17 if run.ends is not None else 16) * MAX_DIRECTIONS
            program = _program(device, shape, _ends(run))
            program.launch(
                "deposit", grid, (640,), shared, boxes, table, low, high, dose, views.nx, views.ny, nz, views.bins,
                len(table), _middle(views), radius, decay, limit, float(gain), profile, support, run.ends, run.soonest,
                None if many is None else many.behind, run.first, run.end,
            )  # fmt: skip
            if many is not None:
                grid = (math.ceil(views.nx / 8) * math.ceil(views.ny / 8), blocks_along)
                program.launch(
                    "deposit_behind", grid, (128,), BEHIND, light, table, member, low, high, dose, views.nx, views.ny,
                    nz, octets, views.bins, _middle(views), radius, decay, limit, float(gain), many.start, many.rows,
                    many.t, many.kind, many.t.shape[1], *many.band, many.span, many.octets, run.first, run.end,
                )  # fmt: skip
    return dose


def workspace(views, slices: int, device: torch.device, dose_at_most: float) -> LaidOut:
    """Where a loss may leave its slope for `collect`."""
    return LaidOut.empty(views.dose_shape(slices), vial(views)[-1], device, dose_at_most)


def collect(volume: Tensor | LaidOut, views, gain: float = 1.0) -> Tensor:
    """The transpose: views (angle, bin, slice) of a volume (x, y, slice), times gain."""
    device, (nx, ny, nz) = (volume.by_x if isinstance(volume, LaidOut) else volume).device, volume.shape
    out = torch.zeros(views.view_shape(nz), device=device, dtype=torch.float32)
    if nz == 0:
        return out
    if views.angles > MAX_DIRECTIONS:
        for which, share in shares(views, MAX_DIRECTIONS):
            out[which] = collect(volume, share, gain)
        return out
    radius, _, decay, limit = vial(views)
    fans, octets = groups(views, 8, device), math.ceil(nz / 8)
    shape, (profile, support) = _shape(views), _profile(views, device)
    with torch.cuda.device(device):
        if isinstance(volume, LaidOut):
            laid, low, high = volume, volume.most, volume.most
        else:
            laid, (low, high) = workspace(views, nz, device, math.inf), torch.aminmax(volume)
            grid = (math.ceil(nx / 16), math.ceil(ny / 16), math.ceil(octets / 4))
            _program(device, shape).launch("voxels_to_halves", grid, (16, 16), 0,
                           volume, low, high, laid.by_x, laid.by_y, nx, ny, nz, octets, limit)  # fmt: skip
        along_x = TensorMap(laid.by_x, tuple(laid.by_x.shape), (1, 32, 64))
        along_y = TensorMap(laid.by_y, tuple(laid.by_y.shape), (1, 32, 64))
        for run in collect_runs(views, nz, fans.member, shape.steps):
            program, deep, many = _program(device, shape, _ends(run)), run.end - run.first // 8 * 8, run.many
            for x0, x1 in blocks(nx):
                for y0, y1 in blocks(ny):
                    across = max(x1 - x0, y1 - y0) * fans.widest + 1 + 2 * support
                    strips = math.ceil(across / 8) + 1
                    program.launch("collect", (len(fans.main) * strips, math.ceil(deep / 256)), (384,),
                                   PAIRS * PAIR_BYTES + 8 * RUNS, along_x, along_y, fans.table, fans.member, fans.main,
                                   low, high, out, nx, ny, nz, views.bins, strips, x0, x1, y0, y1, _middle(views),
                                   radius, decay, limit, float(gain), profile, support, run.ends,
                                   run.first, run.end)  # fmt: skip
            if many is not None and many.count:
                program.launch(
                    "collect_behind", (many.count, math.ceil(deep / 128)), (128,), BEHIND + ROWS, laid.by_x,
                    laid.by_y, fans.table, fans.member, fans.main, low, high, out, nx, ny, nz, octets, views.bins,
                    _middle(views), radius, decay, limit, float(gain), many.strips, run.ends, many.t, many.kind,
                    many.t.shape[1], *many.band, run.first, run.end,
                )  # fmt: skip
    return out
