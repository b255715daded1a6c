"""Kernels on light that ends at opaque rods: the reference, exact transposes, many slices of many cross-sections."""

from dataclasses import replace

import pytest
import torch
from dose_cases import runnable
from rods import rod, shadowed, with_shadows

from lightlathe.dose import Backend, DoseOperator
from lightlathe.quantities import Grid
from operators import dense, gap, random

CASES = {  # rods by slices; what of the operator
    "one class": ([((0.3, 0.1), 0.8, slice(0, 5))], {}),
    "two classes and none": ([((0.3, 0.1), 0.8, slice(0, 2)), ((-0.4, 0.9), 0.6, slice(3, 5))], {}),
    "a class for each slice": ([((0.1 * k, 0.0), 0.5 + 0.1 * k, slice(k, k + 1)) for k in range(5)], {}),
    "two rods": ([((-1.0, 0.1), 0.6, slice(0, 5)), ((1.1, 0.3), 0.5, slice(0, 5))], {}),
    "finer pixels": ([((0.3, 0.1), 0.8, slice(1, 4))], {"pixel": 0.11, "columns": 53}),
    "off the axis": ([((0.3, 0.1), 0.8, slice(1, 4))], {"axis_offset": 0.13}),
    "bent": ([((0.3, 0.1), 0.8, slice(1, 4)), ((-0.4, 0.9), 0.6, slice(4, 5))], {"bend": 0.1}),
    "rows of two slices": ([((0.3, 0.1), 0.8, slice(1, 4))], {"row": 0.4, "rows": 3}),
    "partly outside": ([((2.6, 0.1), 0.9, slice(1, 4))], {}),
    "half of the vial": ([((1.8, 0.1), 2.0, slice(0, 5))], {}),
}


def case(name: str, **more) -> DoseOperator:
    rods, settings = CASES[name]
    grid = Grid((29, 31, 5), 0.2)
    covered = [rod(grid, radius, at, slices) for at, radius, slices in rods]
    given = {"columns": 31, "rows": 5, "pixel": 0.2, "angles": 11, "radius": 2.9, "absorption": 0.2}
    return shadowed(covered, grid.shape, 0.2, **(given | settings | more))


@pytest.mark.parametrize("dtype", [torch.float64, torch.float32])
@pytest.mark.parametrize("name", CASES)
def test_kernels_are_the_reference_and_their_transpose_exact(name, dtype):
    """1e-13 and 2e-6 of the norm as in test_kernels.py; <A g, v> = <g, A' v> to 1e-12 and 1e-5 of |A g| |v|."""
    exact = case(name, kernel="reference")
    light, dose = random(exact.pattern_shape, dtype, 1), random(exact.dose_shape, dtype, 2)
    for kernel in runnable(dtype):
        a = case(name, kernel=kernel, dtype=dtype)
        assert a.views.ends is not None
        lit, seen = a(light).double(), a.transpose(dose).double()
        allowed = 1e-13 if dtype == torch.float64 else 2e-6
        assert gap(lit, exact(light.double())) < allowed
        assert gap(seen, exact.transpose(dose.double())) < allowed
        off = (lit * dose).sum() - (light * seen).sum()
        assert abs(float(off / (lit.norm() * dose.norm()))) < (1e-12 if dtype == torch.float64 else 1e-5)
    free = with_shadows(exact, None)
    assert gap(exact(light.double()), free(light.double())) > 0.05


@pytest.mark.parametrize("kernel", runnable(torch.float64))
def test_the_whole_matrix_and_gradients(kernel):
    grid = Grid((9, 8, 2), 0.5)
    a = shadowed(
        rod(grid, 0.9, (0.3, 0.2), slice(1, 2)), grid.shape, 0.5, columns=9, angles=5, radius=2.2, kernel=kernel
    )
    matrix, free = dense(a, a.pattern_shape), dense(with_shadows(a, None), a.pattern_shape)
    torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=0, atol=1e-15)
    assert bool(((matrix == 0) | (matrix == free)).all())  # light is there as it was, or not at all
    assert 20 < int(((matrix == 0) & (free != 0)).sum()) < int((free != 0).sum()) / 2
    g, v = random(a.pattern_shape, seed=3).requires_grad_(), random(a.dose_shape, seed=4).requires_grad_()
    assert torch.autograd.gradcheck(a, g)
    assert torch.autograd.gradcheck(a.transpose, v)


def test_many_slices_of_many_cross_sections_on_many_tiles():
    """Blocks of 64 slices of one class, of several, with slices between that have none; 67 angles, 3 x 3 tiles."""
    grid = Grid((53, 49, 150), 0.2)
    covered = rod(grid, 1.5, (0.4, -0.8), slice(0, 70))
    for k in range(75, 150):
        covered[:, :, k] = rod(Grid((53, 49, 1), 0.2), 0.8 + 0.02 * (k - 75), (-0.7, 0.02 * k))[:, :, 0]
    given = {"columns": 55, "rows": 150, "pixel": 0.2, "angles": 67, "radius": 5.1, "row": 0.2}
    a, exact = (
        shadowed(covered, grid.shape, 0.2, kernel=kernel, dtype=dtype, **given)
        for kernel, dtype in (("cpu", torch.float32), ("reference", torch.float64))
    )
    assert len(a.class_of_slice.unique()) > 50
    light, dose = random(a.pattern_shape, torch.float32, 1), random(a.dose_shape, torch.float32, 2)
    assert gap(a(light), exact(light.double())) < 2e-6
    assert gap(a.transpose(dose), exact.transpose(dose.double())) < 2e-6
    first = a(light), a.transpose(dose)
    torch_threads = torch.get_num_threads()
    try:
        torch.set_num_threads(3)
        assert torch.equal(a(light), first[0])
        assert torch.equal(a.transpose(dose), first[1])
    finally:
        torch.set_num_threads(torch_threads)


def test_a_kernel_that_knows_no_ends_says_so():
    from lightlathe.dose.kernels import triton, triton_double

    views = case("one class").views
    cuda = torch.device("cuda")
    for kernel, dtype in ((triton, torch.float32), (triton_double, torch.float64)):
        reason = kernel.why_not(replace(views, precision="half"), cuda, dtype)
        assert reason == "its light ends at no insert"
    assert DoseOperator(case("one class").optics, Grid((29, 31, 5), 0.2), Backend()).kernel == "cpu"
