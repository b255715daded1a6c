"""The volumes that slices are cut from: wanted, dose, cured, errors, inserts, in as fine voxels as there is room for.

A dose is shown in 255 steps of its largest value. Errors are bits (UNDER, ...), and a larger voxel has the bits of all
that it holds, so no wrong voxel is lost.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from lightlathe.quantities import LIQUID, SOLID, Grid, Volume, slices_of
from lightlathe.report.page.packing import finest, packed
from lightlathe.report.page.pooled import bits_of, centres_mm, mean_of
from lightlathe.result import Record
from lightlathe.support.watching import doing

TOP = 1.6  # gel doses: the colours of doses end there, as in pictures
UNDER, OVER, TO_BE_SOLID, TO_STAY_LIQUID = 1, 2, 4, 8  # bits of `error`; none: not judged
ROOM = 4_200_000  # characters of all volumes of a page; a page may have 15 MB, and Plotly.js takes 4.8
SHARES = {"own": 0.75, "finer": 0.25}  # of the room: volumes of the job's grid, and of the finer grid
MOST = {"own": 16_000_000, "finer": 24_000_000}  # voxels that a browser on a phone still handles (no source)


@doing("volumes for the page")
def volumes(record: Record, dose_max: float, share: float = 1.0, *, finer: bool = True) -> dict[str, Any]:
    """Wanted, dose, cured, error and, where there are any, inserts on the job's grid; cured and error on the finer one.

    dose_max   mJ/cm3 of the byte 255
    share      of the room on the page
    finer      False leaves the finer grid out
    """
    part, print_, fine = record.part, record.prediction, record.fine
    judged = part.judged if part.whole is None else part.whole
    own = {
        "wanted": _mean((part.coverage,), 1.0),
        "dose": _mean((print_.dose,), dose_max),
        "cured": _mean((print_.solid,), 1.0),
        "error": _bits(judged, print_.solid),
        **({} if part.insert is None else {"insert": _mean((part.insert,), 1.0)}),
    }
    found = {"own": _cut(part.grid, own, "own", share)}
    if finer and fine is not None and print_.fine_solid is not None:
        makers = {"cured": _mean((print_.fine_solid,), 1.0), "error": _bits(fine.judged, print_.fine_solid)}
        found["finer"] = _cut(fine.grid, makers, "finer", share)
    return found


def largest(dose: Volume) -> float:
    """Of a volume; 1 where there is no dose at all, so that it can be divided by."""
    return max(float(piece.amax()) for _, (piece,) in slices_of(dose)) or 1.0


def dose_top(dose_max: float, gel_mj_cm3: float) -> float:
    """The dose at which the colours end, mJ/cm3."""
    return min(dose_max, TOP * gel_mj_cm3) if gel_mj_cm3 > 0 else dose_max


def step_words(cut: dict[str, Any]) -> str:
    """At which step voxels are shown, in a sentence; empty where each is shown."""
    if cut["step"] == 1:
        return ""
    step, voxel = cut["step"], f"{cut['voxel_mm']:.4g} mm"
    return (
        f"Of voxels of {voxel}, {step} x {step} x {step} are shown as one: by their mean, and as an error if any of "
        "them is wrong."
    )


def _cut(grid: Grid, makers: dict[str, Callable[[int], np.ndarray]], name: str, share: float) -> dict[str, Any]:
    def made(step: int) -> dict[str, Any]:
        return {volume: packed(make(step)) for volume, make in makers.items()}

    room = int(ROOM * SHARES[name] * share)
    step, found = finest(grid.shape, made, most=int(MOST[name] * share), room=room)
    axes = [centres_mm(n, grid.voxel_mm, step) for n in grid.shape]
    return {
        "step": step,
        "voxel_mm": grid.voxel_mm,
        "shape": [math.ceil(n / step) for n in grid.shape],
        "first_mm": [first for first, _ in axes],
        "each_mm": axes[0][1],
        **found,
    }


def _mean(volumes: tuple[Volume, ...], full: float) -> Callable[[int], np.ndarray]:
    return lambda step: mean_of(volumes, step, full, lambda slab: slab)


def _bits(judged: Volume, solid: Volume) -> Callable[[int], np.ndarray]:
    return lambda step: bits_of((judged, solid), step, error_bits)


def error_bits(judged: np.ndarray, solid: np.ndarray) -> np.ndarray:
    """uint8: what a voxel was to become, and whether it did not. `judged` of IGNORED, LIQUID, SOLID; `solid` bool."""
    to_be_solid, to_stay = judged == SOLID, judged == LIQUID
    bits = TO_BE_SOLID * to_be_solid + TO_STAY_LIQUID * to_stay
    return (bits + UNDER * (to_be_solid & ~solid) + OVER * (to_stay & solid)).astype(np.uint8)
