"""Kernels for rows that spread with depth: exact adjoint, gradients, the compiled loops against the reference."""

import dataclasses

import pytest
import torch
from dose_cases import runnable
from test_diverging_light import AIR, optics

from lightlathe.beams import Diverging, full_turn
from lightlathe.dose import Backend, Directions, DoseOperator, Turning
from lightlathe.dose.kernels import choose
from lightlathe.errors import KernelUnavailable
from lightlathe.quantities import Footprint, Grid, Optics
from operators import dense, gap, random

DIRECTIONS = {"one": Directions(), "finer, moving": Directions.even(2, moving=True, finer=2)}
SIZES = {  # (rows, pixel, voxel, slices): rows that are wider and finer than voxels, and equal
    "coarse rows": (3, 1.1, 0.7, 5),
    "fine rows": (7, 0.4, 0.9, 4),
    "equal": (4, 0.8, 0.8, 4),
}


@pytest.mark.parametrize("kernel", runnable(torch.float64))
@pytest.mark.parametrize("name", DIRECTIONS)
@pytest.mark.parametrize("size", SIZES)
def test_transpose_is_the_transpose(kernel, name, size):
    """Every entry, in float64 to rounding; a lens beside and above, an axis that is off."""
    rows, pixel, voxel, slices = SIZES[size]
    beam = Diverging(distance_mm=12.0, lens_height_mm=1.3, lens_offset_mm=0.6)
    light = optics(beam, 3.0, 0.2, 9, rows, pixel, 5, AIR, axis_offset_mm=0.17)
    a = DoseOperator(
        light, Grid((7, 8, slices), voxel), Backend(kernel, dtype=torch.float64), directions=DIRECTIONS[name]
    )
    assert a.rebinned
    assert not a.slices_independent
    assert a.row_of_slice is None
    matrix = dense(a, a.pattern_shape)
    assert matrix.count_nonzero() > 1000
    torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=0, atol=1e-15)
    batch = random((3, *a.pattern_shape))
    torch.testing.assert_close(a(batch), torch.stack([a(x) for x in batch]), rtol=0, atol=1e-14)
    doses = random((2, *a.dose_shape), seed=1)
    torch.testing.assert_close(a.transpose(doses), torch.stack([a.transpose(x) for x in doses]), rtol=0, atol=1e-14)


@pytest.mark.parametrize("kernel", runnable(torch.float64))
def test_no_light_takes_dose_away(kernel):
    """Not by a last digit either: bounds on windows divide sums of these weights (solve/bound.py). Of single voxels."""
    size = {"angle_rad": full_turn(20, 0.1), "columns": 18, "rows": 12, "pixel_mm": 0.125}
    light = Optics(Diverging(distance_mm=4.0, lens_height_mm=0.3).chords(**size), 1.0, 0.5)
    a = DoseOperator(light, Grid((16, 16, 9), 0.125), Backend(kernel, dtype=torch.float64))
    for voxel in (46, 53, 172, 179, *range(0, 16 * 16 * 9, 97)):  # with nodes' shares above 1, the first took 4e-18
        one = torch.zeros(a.dose_shape, dtype=torch.float64)
        one.view(-1)[voxel] = 1
        assert bool((a.transpose(one) >= 0).all())


@pytest.mark.parametrize("kernel", runnable(torch.float32))
@pytest.mark.parametrize("footprint", [Footprint(), Footprint("square", 0.9, 0.4)])
def test_inner_products_and_gradients(kernel, footprint):
    beam = Diverging(distance_mm=15.0, lens_height_mm=-0.5)
    light = dataclasses.replace(optics(beam, 3.0, 0.2, 20, 9, 0.4, 9, AIR), footprint=footprint)
    for dtype, allowed in ((torch.float32, 1e-5), (torch.float64, 1e-12)):
        a = Turning(DoseOperator(light, Grid((14, 15, 70), 0.1), Backend(kernel, dtype=dtype)), 3)
        g, v = random(a.pattern_shape, dtype, 1), random(a.dose_shape, dtype, 2)
        dose, back = a(g).double(), a.transpose(v).double()
        assert float(dose.norm()) > 0
        assert abs(float(((dose * v).sum() - (g * back).sum()) / (dose.norm() * v.norm()))) < allowed
    small = dataclasses.replace(optics(beam, 3.0, 0.2, 4, 2, 1.5, 4), footprint=footprint)
    exact = DoseOperator(small, Grid((3, 4, 2), 1.5), Backend(kernel, dtype=torch.float64))
    assert torch.autograd.gradcheck(exact, random(exact.pattern_shape).requires_grad_())


@pytest.mark.parametrize("dtype", [torch.float32, torch.float64])
@pytest.mark.parametrize(("voxel", "height"), [(0.1, 0.0), (0.1, 25.0), (0.16, 0.0)])
def test_the_compiled_loops_do_what_the_reference_does(dtype, voxel, height):
    """At real sizes: a vial of 20 mm, the lens at 150 mm, rows of 0.1 mm up to 10 mm from the middle, its lens 25 mm
    above too, and voxels that are no multiple. The loops mix two nodes of 1 / M half a row apart at most: each row's
    light lies within 0.05 rows of where the reference has it, and is less than 0.06 rows wider (rms)."""
    beam = Diverging(distance_mm=150.0, lens_height_mm=height)
    light = optics(beam, 10.0, 0.05, 200, 200, 0.1, 1)
    n = round(4.8 / voxel)
    grid = Grid((round(18 / voxel), n, round(20 / voxel)), voxel)
    ref, cpu = (DoseOperator(light, grid, Backend(kernel, dtype=dtype)) for kernel in ("reference", "cpu"))
    z = grid.centres_mm(2).to(dtype)
    for row in (14, 60, 150, 185):
        patterns = torch.zeros(ref.pattern_shape, dtype=dtype)
        patterns[:, :, row] = 1
        found = []
        for a in (ref, cpu):
            dose = a(patterns).double()
            lit = dose.sum(2) > 0.5 * dose.sum(2).max()
            assert int(lit.sum()) > 1000
            share = dose[lit] / dose[lit].sum(1, keepdim=True)
            middle = (share * z).sum(1)
            found.append((middle, (share * (z - middle[:, None]).square()).sum(1).mean().sqrt(), dose[lit].sum(1)))
        assert float((found[0][0] - found[1][0]).abs().max()) < 0.05 * 0.1
        assert abs(float(found[1][1] - found[0][1])) < 0.06 * 0.1
        assert gap(found[1][2], found[0][2]) < 5e-3
    patterns = random(ref.pattern_shape, dtype).square()
    assert gap(cpu(patterns), ref(patterns)) < 0.06  # of one view and light unlike from pixel to pixel; of a turn 0.003
    smooth = torch.sin(torch.arange(200, dtype=dtype) / 3).square().expand(ref.pattern_shape).contiguous()
    assert gap(cpu(smooth), ref(smooth)) < 8e-3
    back = random(ref.dose_shape, dtype)
    assert gap(cpu.transpose(back), ref.transpose(back)) < 0.08


def test_kernels_say_why_not():
    """On a CPU rows that spread are for `cpu` and `reference`; others are passed over with the reason."""
    a = DoseOperator(optics(Diverging(distance_mm=20.0)), Grid((5, 5, 3), 0.4), Backend(dtype=torch.float32))
    assert a.kernel == "cpu"
    assert a.views.spread is not None
    views, cpu = dataclasses.replace(a.views, precision="half"), torch.device("cpu")
    for name, words in (("hopper", "rows stay level, and these spread"), ("triton", "NVIDIA cards"),
                        ("triton_double", "NVIDIA cards")):  # fmt: skip
        with pytest.raises(KernelUnavailable, match=words):
            choose(name, views, cpu, torch.float32)
