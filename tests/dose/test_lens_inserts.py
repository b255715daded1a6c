"""Rods that stand through, in light of a lens whose rows spread with depth: kernels, transposes, the far limit, what is
refused. The doses themselves are held to photons in test_photons.py."""

import math
from dataclasses import replace
from types import SimpleNamespace

import pytest
import torch
from rods import rod

from lightlathe.beams import Diverging, Telecentric, full_turn
from lightlathe.dose import Backend, Directions, DoseOperator, Turning
from lightlathe.errors import KernelUnavailable, ShapeError
from lightlathe.job.vial import Vial
from lightlathe.quantities import Absorber, Grid, Optics, Shadows
from operators import dense, gap, random

RADIUS, RESIN = 3.0, 0.2
AIR = {"surroundings": "air", "wall_mm": 0.6, "wall_index": 1.48}
RODS = {  # (radius, place, absorption), infinite of an opaque one
    "opaque": [(0.9, (0.4, -0.3), math.inf)],
    "absorbing": [(0.9, (0.4, -0.3), 0.8)],
    "clear": [(0.9, (0.4, -0.3), 0.0)],
    "both": [(0.7, (-0.9, 0.3), math.inf), (0.8, (1.0, -0.3), 0.8)],
}


def light_of(beam, columns: int, rows: int, pixel: float, angles: int, vial=None, **more) -> Optics:
    resin = SimpleNamespace(refractive_index=1.5, absorption_per_mm=RESIN)
    around = Vial(2 * RADIUS, 20.0, **(vial or {"surroundings": "matched"}))
    size = {"angle_rad": full_turn(angles), "columns": columns, "rows": rows, "pixel_mm": pixel}
    return Optics(beam.chords(**size, **more, vial=around, resin=resin), RADIUS, RESIN)


def around(optics: Optics, rods, grid: Grid, slices: slice = slice(None)) -> Optics:
    """With rods in some slices of a grid."""
    shadows, absorbers = None, []
    for radius, at, absorption in rods:
        covered = rod(grid, radius, at, slices)
        if absorption == math.inf:
            shadows = Shadows.of(covered, grid, RADIUS)
        else:
            absorbers.append(Absorber.of(covered, grid, RADIUS, absorption))
    return replace(optics, shadows=shadows, absorbers=tuple(absorbers))


@pytest.mark.parametrize("kernel", ["cpu", "reference"])
@pytest.mark.parametrize("name", RODS)
def test_transpose_is_the_transpose(kernel, name):
    """Every entry, in float64 to rounding; a lens beside and above, a bare vial, an axis that is off, a batch."""
    beam = Diverging(distance_mm=12.0, lens_height_mm=1.3, lens_offset_mm=0.6)
    free, grid = light_of(beam, 9, 5, 0.6, 3, AIR, axis_offset_mm=0.17), Grid((13, 12, 3), 0.5)
    a, bare = (
        DoseOperator(
            optics, grid, Backend(kernel, dtype=torch.float64), directions=Directions.even(2, moving=True, finer=2)
        )
        for optics in (around(free, RODS[name], grid), free)
    )
    assert a.views.spread is not None
    assert a.views.depths is not None
    assert a.class_of_slice.tolist() == [0] * 3
    matrix, without = dense(a, a.pattern_shape), dense(bare, a.pattern_shape)
    assert matrix.count_nonzero() > 500
    assert gap(matrix, without) > 0.05
    torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=0, atol=1e-15)
    batch = random((3, *a.pattern_shape))
    torch.testing.assert_close(a(batch), torch.stack([a(x) for x in batch]), rtol=0, atol=1e-14)


@pytest.mark.parametrize("name", RODS)
def test_inner_products_and_the_compiled_loops(name):
    """<A g, v> = <g, A' v> to 1e-12 and 1e-5 in a turning vial, and the loops do what the reference does to what they
    do without insert where light is even along z (elsewhere they mix two nodes of 1 / M, test_diverging_light.py)."""
    free, grid = light_of(Diverging(distance_mm=15.0), 40, 16, 0.2, 9, AIR), Grid((30, 31, 20), 0.2)
    optics = around(free, RODS[name], grid)
    for dtype, allowed in ((torch.float32, 1e-5), (torch.float64, 1e-12)):
        a = Turning(DoseOperator(optics, grid, Backend("cpu", dtype=dtype)), 3)
        g, v = random(a.pattern_shape, dtype, 1), random(a.dose_shape, dtype, 2)
        dose, back = a(g).double(), a.transpose(v).double()
        assert abs(float(((dose * v).sum() - (g * back).sum()) / (dose.norm() * v.norm()))) < allowed
    smooth = torch.ones(9, 40, 16, dtype=torch.float64)
    found = {
        kernel: [
            DoseOperator(o, grid, Backend(kernel, dtype=torch.float64))(smooth)[:, :, 7:13] for o in (optics, free)
        ]
        for kernel in ("cpu", "reference")
    }
    share = {kernel: with_rod / bare.clamp(min=1e-9) for kernel, (with_rod, bare) in found.items()}
    lit = found["reference"][1] > 0.1
    assert int(lit.sum()) > 3000
    assert gap(share["cpu"][lit], share["reference"][lit]) < 1e-9
    assert gap(found["reference"][0], found["reference"][1]) > 0.02


def test_a_lens_far_away_gives_the_shadow_of_parallel_light():
    """The difference falls as 1 / distance, as it does without an insert; opaque and absorbing rods."""
    grid, thirds = Grid((31, 31, 4), 0.2), Directions(finer=3)
    for name in ("opaque", "absorbing"):
        doses = []
        for beam in (Telecentric(), Diverging(distance_mm=1e3), Diverging(distance_mm=1e4)):
            optics = around(light_of(beam, 40, 20, 0.2, 40, AIR), RODS[name], grid)
            a = DoseOperator(optics, grid, Backend(dtype=torch.float64), directions=thirds)
            doses.append(a(torch.ones(a.pattern_shape, dtype=torch.float64)))
        covered = rod(grid, *RODS[name][0][:2])
        seen = (covered == 0) & grid.inside(1.8)[:, :, None]
        assert gap(doses[1][seen], doses[0][seen]) < 0.01
        assert gap(doses[2][seen], doses[0][seen]) < 0.004


def test_a_cross_section_that_changes_along_z_is_refused():
    """Rays that rise or fall would cross several. One that is the same everywhere has no such limit."""
    free, grid = light_of(Diverging(distance_mm=15.0), 20, 8, 0.4, 5), Grid((14, 15, 8), 0.4)
    for slices in (slice(0, 5), slice(3, 8)):
        with pytest.raises(ShapeError, match="the cross-section of an insert changes along z"):
            DoseOperator(around(free, RODS["absorbing"], grid, slices), grid)
    nothing = DoseOperator(around(free, [(0.9, (0.4, -0.3), RESIN)], grid), grid)
    assert nothing.views.depths is None
    a = DoseOperator(around(free, RODS["opaque"], grid), grid)
    assert a.kernel == "cpu"
    assert a.on(grid.finer(2)).views.depths is not None
    with pytest.raises(KernelUnavailable, match="nor light around inserts whose rows spread with depth"):
        DoseOperator(around(free, RODS["opaque"], grid), grid, Backend("triton"))
