"""A start from an earlier design, brought to the columns, rows and angles of the new one."""

import math
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import SolveError
from lightlathe.families.linear_map import doses
from lightlathe.solve.problem import Problem
from lightlathe.support.sums import total


@dataclass(frozen=True)
class Earlier:
    """The patterns of an earlier result file, whatever its grid or resin; mean in-part dose brought to 1.

    result   the result file, relative to the job file

    Whoever reads the job reads the file and calls `patterns_for`; the start itself opens no files.
    """

    result: str

    def __call__(self, problem: Problem) -> Tensor:
        raise SolveError(f"the start is the earlier result '{self.result}', which has not been read.")


def patterns_for(
    problem: Problem,
    levels: Tensor,
    angle_rad: Tensor,
    pixel_mm: float,
    middle: tuple[float, float] | None = None,
    *,
    column_mm: float | None = None,
    slices: int | None = None,
) -> Tensor:
    """Earlier patterns (angle, column, row) as a start of `problem`, whose operator knows its chords.

    pixel_mm, column_mm   pitch of rows and columns in the resin; of columns that of rows where None
    slices   whose dose is computed at a time; None: all. The start lies where the problem's target does
    middle   (column, row) of the levels that lies on the axis and at z = 0; the middle of the levels where None

    Read linearly between the earlier pixels and angles; dark outside them. Angles close the turn, whichever way it
    went. Levels are scaled so that the part gets a mean dose of 1, and kept under the limit.
    """
    operator: Any = problem.operator  # of a projector: it has optics
    chords = operator.optics.chords
    has_axes("angle_rad", angle_rad, ("angle",), levels.shape[:1])
    x = levels.to(device=problem.target.solid.device, dtype=problem.operator.dtype)
    x = _around(x, angle_rad.double().cpu(), chords.angle_rad.double().cpu())
    rows = (torch.arange(chords.rows, dtype=torch.float64) - (chords.rows - 1) / 2) * chords.row_mm
    column, row = middle or ((levels.shape[1] - 1) / 2, (levels.shape[2] - 1) / 2)
    offsets = chords.offset_mm.double().cpu()
    for axis, places, zero, pitch in ((1, offsets, column, column_mm or pixel_mm), (2, rows, row, pixel_mm)):
        x = _along(x, axis, places / pitch + zero)
    solid, received, voxels = problem.target.solid, 0.0, 0
    for taken, dose in doses(problem.operator, x, slices):
        here = solid[:, :, taken].to(dose.device)
        received += float(total(dose * here))
        voxels += int(here.sum())
    mean = received / voxels
    if not mean > 0:
        raise SolveError(
            "the earlier patterns leave this part dark; expected some of their light in it. Is it the same part, in "
            "the same place?"
        )
    return (x / mean).clamp_(0, problem.limit)


def _along(x: Tensor, axis: int, places: Tensor) -> Tensor:
    """x read along an axis at `places`, in units of its pixels from the first; linear, dark outside."""
    count = x.shape[axis]
    low = places.floor()
    part = places - low
    shape = [1] * x.ndim
    shape[axis] = -1
    total = None
    for index, weight in ((low, 1 - part), (low + 1, part)):
        lit = (index >= 0) & (index < count)
        at = index.clamp(0, count - 1).to(torch.int64).to(x.device)
        term = x.index_select(axis, at) * (weight * lit).to(x).reshape(shape)
        total = term if total is None else total + term
    assert total is not None
    return total


def _around(x: Tensor, have: Tensor, want: Tensor) -> Tensor:
    """x (angle, ...) at the angles `have`, evenly spaced over a turn in either sense, read linearly at `want`."""
    count = len(have)
    step = float(have[1] - have[0]) if count > 1 else 2 * math.pi
    if abs(abs(step) * count / (2 * math.pi) - 1) > 1e-6:
        raise SolveError(f"earlier angles step by {step} rad, {count} of them; expected one whole turn.")
    places = ((want - have[0]) / step) % count
    low = (places + 1e-9).floor()
    part = (places - low).clamp(min=0).to(x).reshape(-1, *[1] * (x.ndim - 1))
    first = (low % count).to(torch.int64).to(x.device)
    return x[first] * (1 - part) + x[(first + 1) % count] * part
