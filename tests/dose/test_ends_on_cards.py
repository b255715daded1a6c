"""The tables of ends that the fast kernel for cards reads, against every voxel and bin one by one."""

import math

import pytest
import torch
from test_gpu_shapes import CASES, with_ends

from lightlathe.dose.kernels.cuda_hopper import Shape
from lightlathe.dose.kernels.directions import groups, opposites
from lightlathe.dose.kernels.hopper_ends import MARGIN, TILE, collect_runs, deposit_runs, runs_of

CPU = torch.device("cpu")
MANY = ["a cone off the axis of the bins", "a cone in coarse bins", "rods in some slices"]


def ends_of(views, slices: int) -> torch.Tensor:
    """(view, bin, slice) t in bins at which each chord ends."""
    ends, classes = views.ends, views.ends.classes(slices)
    found = torch.full((views.angles, views.bins, slices), math.inf, dtype=torch.float64)
    last = ends.first_bin + ends.t_mm.shape[1]
    found[:, ends.first_bin : last, classes >= 0] = ends.t_mm.double()[:, :, classes[classes >= 0]] / views.bin_mm
    return found


def rows_of(member: torch.Tensor) -> list[tuple[int, int, bool]]:
    """(row, view, whether its bins run backwards) of all rows that have a view."""
    return [(row, view, row % 2 == 1) for row, view in enumerate(member.flatten().tolist()) if view >= 0]


def test_one_cross_section_is_one_call_with_the_ends_of_its_views():
    views, slices = CASES["a rod"]
    table, member = opposites(views, CPU)
    (run,) = deposit_runs(views, slices, table, member, 1)
    assert (run.first, run.end, run.many) == (0, slices, None)
    exact = ends_of(views, slices)[:, :, 0].float()
    for row, view, backwards in rows_of(member):
        wanted = exact[view].flip(0) if backwards else exact[view]
        assert torch.equal(run.ends[row, MARGIN:-MARGIN], wanted)
        ahead = torch.nn.functional.pad(run.ends[row], (0, 15), value=math.inf).unfold(0, 16, 1).amin(1)
        assert torch.equal(run.soonest[row], ahead)


@pytest.mark.parametrize("name", MANY)
def test_tiles_that_are_not_left_out_are_lit_in_every_slice(name):
    """No voxel of a tile and view that the first kernel takes lies behind an end of a bin that it reads; and of those
    left out more than half have one that does."""
    views, slices = CASES[name]
    table, member = opposites(views, CPU)
    (run,) = deposit_runs(views, slices, table, member, 1)
    soonest, many = ends_of(views, slices).amin(2), run.many
    x = (torch.arange(views.nx, dtype=torch.float64) - (views.nx - 1) / 2)[:, None] * views.voxel_mm / views.bin_mm
    y = (torch.arange(views.ny, dtype=torch.float64) - (views.ny - 1) / 2)[None, :] * views.voxel_mm / views.bin_mm
    down, across = math.ceil(views.nx / TILE), math.ceil(views.ny / TILE)
    behind = many.behind.reshape(down, across, -1).bool()
    left_out = 0
    for row, view, _ in rows_of(member):
        angle = float(views.angle_rad[view])
        place, t = x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)
        low = (place + views.middle_bins).floor().long()
        dark = torch.zeros(views.nx, views.ny, dtype=torch.bool)
        for bin_ in (low, low + 1):
            here = (bin_ >= 0) & (bin_ < views.bins)
            dark |= here & (t >= soonest[view, bin_.clamp(0, views.bins - 1)])
        tiles = torch.nn.functional.pad(dark, (0, across * TILE - views.ny, 0, down * TILE - views.nx))
        tiles = tiles.unflatten(0, (down, TILE)).unflatten(2, (across, TILE)).any(3).any(1)
        assert not (tiles & ~behind[:, :, row]).any()
        left_out += int((behind[:, :, row] & ~tiles).sum())
    assert left_out < 0.5 * int(many.behind.sum())
    counts = many.behind.sum(1)
    assert torch.equal(many.start.diff().long(), counts.long())
    taken = torch.repeat_interleave(torch.arange(len(counts)), counts)
    assert bool(many.behind[taken, many.rows.long()].all())


@pytest.mark.parametrize("name", MANY)
def test_spans_hold_all_ends_of_sixteen_bins_and_eight_slices(name):
    views, slices = CASES[name]
    table, member = opposites(views, CPU)
    (run,) = deposit_runs(views, slices, table, member, 1)
    exact, span = ends_of(views, slices).float(), run.many.span
    assert span.shape[1] == math.ceil(slices / 8)
    for row, view, backwards in rows_of(member)[:4]:
        ends = exact[view].flip(0) if backwards else exact[view]
        for octet in (0, span.shape[1] - 1):
            for first in range(-15, views.bins, 7):
                some = ends[max(first, 0) : first + 16, 8 * octet : 8 * octet + 8]
                assert torch.equal(span[row, octet, MARGIN + first], torch.stack([some.amin(), some.amax()]))


def test_strips_are_those_of_bins_that_end():
    views, slices = CASES["a cone off the axis of the bins"]
    member = groups(views, 8, CPU).member
    (run,) = collect_runs(views, slices, member, 1)
    met = ends_of(views, slices).amin(2).isfinite()
    wanted = set()
    for row, view, backwards in rows_of(member):
        for bin_ in met[view].nonzero().flatten().tolist():
            wanted.add((row, (views.bins - 1 - bin_ if backwards else bin_) // 16 * 16))
    assert {tuple(strip) for strip in run.many.strips.tolist()} == wanted


def test_runs_of_slices():
    assert runs_of(torch.tensor([-1, -1, 3, 3, 3, 0])) == [(-1, 0, 2), (3, 2, 5), (0, 5, 6)]
    views = with_ends(50, [((5, 2), 6.0, slice(29, 45))], angles=6, pixel=0.6, columns=61)
    assert Shape.of(views) == Shape(48, 2, 0)
    table, member = opposites(views, CPU)
    runs = deposit_runs(views, 50, table, member, 2)  # bins so fine have a call for each run
    assert [(run.first, run.end, run.ends is None) for run in runs] == [(0, 29, True), (29, 45, False), (45, 50, True)]
