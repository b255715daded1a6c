"""Levels chosen so that the dose window stays wide."""

from collections.abc import Iterator

import numpy as np
import torch
from torch import Tensor

from lightlathe.flow.aim import gain_per_turn
from lightlathe.flow.prepare import Setup
from lightlathe.losses import SoftWindow
from lightlathe.projector import Codebook
from lightlathe.quantities import ByRow, Light, rows_of
from lightlathe.quantities.by_row import PIECE
from lightlathe.solve import Problem, rounded
from lightlathe.solve.rounding import nearest
from lightlathe.support.watching import doing

ROUNDING_COST = 0.001  # of window: above this, levels are optimised instead of rounded to nearest


@doing("choosing levels")
def rounded_levels(setup: Setup, fractions: Light, turns: int, book: Codebook) -> Tensor:
    """Levels for fractions of full irradiance, each the one above or below, so that the window stays wide; the nearest
    where they cost at most ROUNDING_COST of it, unless the job says how many steps to take.

    Only the plain case counts here, not scenarios.
    """
    exact = np.unique(book.levels)
    resin = setup.job.resin.at(turns * setup.job.turn.seconds_per_turn)
    operator = setup.turning.scaled(gain_per_turn(setup.job) * turns / resin.gel_mj_cm3)
    sharp = SoftWindow(1000, 1000, 1, slice_sharpness=1000)
    problem = Problem(operator, sharp, setup.target)
    allowed = torch.from_numpy(exact / book.full_scale).to(fractions.device, fractions.dtype)
    steps, kind = setup.job.rounding_steps, torch.uint8 if book.full_scale <= 255 else torch.uint16

    def as_levels(chosen: Tensor) -> Tensor:
        return torch.from_numpy(exact).to(chosen.device)[torch.searchsorted(allowed, chosen)].to(kind).cpu()

    if isinstance(fractions, Tensor):
        return as_levels(rounded(problem, fractions, allowed, loss=sharp, iterations=steps, enough=ROUNDING_COST))
    levels = rows_together(fractions.shape, kind)
    row_of_slice = problem.operator.row_of_slice
    if row_of_slice is None:  # slices share rows: the nearest
        for rows, piece in rows_of(fractions):
            levels[:, :, rows] = as_levels(allowed[nearest(piece, allowed).long()])
        return levels
    kept = torch.int16 if kind == torch.uint16 else kind  # torch puts no 16-bit levels without a sign by index
    part = problem.target.with_part.cpu()
    lit = (part & (row_of_slice.cpu() >= 0)).nonzero().flatten()
    dark = torch.ones(fractions.shape[2], dtype=torch.bool)  # rows that light no part
    dark[row_of_slice.cpu()[lit]] = False
    for rows in dark.nonzero().flatten().split(max(1, PIECE // (fractions.shape[0] * fractions.shape[1]))):
        piece = fractions[:, :, rows]
        levels.view(kept)[:, :, rows] = as_levels(allowed[nearest(piece, allowed).long()]).view(kept)
    for rows, chosen in _rounded_in_slabs(problem, fractions, allowed, lit, setup.slabs.design or 1, steps):
        levels.view(kept)[:, :, rows] = as_levels(chosen).view(kept)
    return levels


def rows_together(shape: tuple[int, int, int], dtype: torch.dtype) -> Tensor:
    """An empty array (angle, column, row) each of whose rows lies together in memory, as work in slabs wants it."""
    angles, columns, rows = shape
    return torch.empty(rows, angles, columns, dtype=dtype).permute(1, 2, 0)


def _rounded_in_slabs(
    problem: Problem, fractions: ByRow, allowed: Tensor, lit: Tensor, most: int, steps: int
) -> Iterator[tuple[Tensor, Tensor]]:
    """(rows, their rounded patterns) of slices `lit` that have rows of their own, `most` at a time: each slab keeps its
    own window wide."""
    row_of_slice = problem.operator.row_of_slice
    assert row_of_slice is not None  # it was designed in slabs
    for here in lit.split(most):
        of_slab, rows = problem.slab(here), row_of_slice.cpu()[here]
        given = fractions[:, :, rows].to(of_slab.operator.device).contiguous()
        yield rows, rounded(of_slab, given, allowed, loss=problem.loss, iterations=steps, enough=ROUNDING_COST)
