"""The operator's door: units, errors, and use inside anyone's own optimiser."""

import math
from types import SimpleNamespace

import pytest
import torch

from lightlathe.dose import DoseOperator, gain_mj_cm3
from lightlathe.dose.kernels import cpu
from lightlathe.errors import ShapeError
from lightlathe.gpu.packed import LaidOut
from operators import operator


def test_dose_in_millijoules_by_hand():
    """0.05/mm = 0.5/cm; 20 mW/cm2 for 0.1 s is 2 mJ/cm2; 90 images twice: 180 mJ/cm3 where nothing is lost on the way.

    At the axis exp(-0.05 * 3) of it arrives, from every side. Source: Beer-Lambert law, worked by hand.
    """
    gain = gain_mj_cm3(0.05, 20, 0.1, turns=2)
    assert gain * 90 == pytest.approx(180)
    a = operator((13, 13, 1), 0.5, columns=13, rows=1, angles=90, radius=3.0, absorption=0.05, gain=gain)
    dose = a(torch.ones(a.pattern_shape, dtype=torch.float64))
    assert float(dose[6, 6, 0]) == pytest.approx(180 * math.exp(-0.15), rel=1e-12)


def test_another_gain_scales_both_directions():
    a = operator()
    twice = a.scaled(2 * a.gain)
    g, v = torch.rand(a.pattern_shape, dtype=torch.float64), torch.rand(a.dose_shape, dtype=torch.float64)
    torch.testing.assert_close(twice(g), 2 * a(g))
    torch.testing.assert_close(twice.transpose(v), 2 * a.transpose(v))


@pytest.mark.parametrize(
    "case", [{}, {"pixel": 0.2, "columns": 30, "rows": 20}, {"pixel": 0.6, "columns": 9, "rows": 9}]
)
def test_a_kernel_is_told_the_most_light_and_a_loss_the_most_dose(case):
    """Neither is exceeded by the brightest patterns, and both are met; they follow the gain and the light."""
    a, told = operator(**case), {}

    def deposit(light, views, gain, most=None):
        told.update(most=most, light=light)
        return cpu.deposit(light, views, gain)

    a._module = SimpleNamespace(
        deposit=deposit,
        collect=cpu.collect,
        workspace=lambda views, slices, device, dose_at_most: told.update(dose=dose_at_most, slices=slices) or True,
    )
    full = torch.full(a.pattern_shape, 4.0, dtype=torch.float64)
    a(full)
    assert told["most"] is None
    assert a.workspace() is None
    four = a.within(4)
    brightest = float(four(full).max())
    assert told["most"] == pytest.approx(float(told["light"].max()), rel=1e-12)
    if four.workspace():  # none where rows become slices in the dose
        assert (told["dose"], told["slices"]) == (pytest.approx(brightest, rel=1e-12), a.grid.shape[2])
        four.scaled(3 * a.gain).workspace()
        assert told["dose"] == pytest.approx(3 * brightest, rel=1e-12)
        four.within(8).workspace()
        assert told["dose"] == pytest.approx(2 * brightest, rel=1e-12)
    else:
        assert a.resampling.late
    four.within(1e4)(full)
    assert told["most"] is None
    seed = torch.full(a.dose_shape, 1.0, dtype=torch.float64, requires_grad=True)
    torch.autograd.grad((1e6 * four.transpose(seed)).sum(), seed)  # what derivatives bring may be brighter
    assert told["most"] is None
    assert float(told["light"].max()) > 1e5


def test_an_operator_of_ones_own_keeps_its_ways():
    class Dim(DoseOperator):
        def __call__(self, patterns):
            return super().__call__(patterns) / 2

    a = operator()
    a.__class__ = Dim
    g = torch.rand(a.pattern_shape, dtype=torch.float64)
    assert torch.equal(a.within(3)(g), a(g))
    assert torch.equal(a.scaled(2 * a.gain)(g), 2 * a(g))


def test_a_dose_laid_out_for_another_kernel_or_grid_is_refused():
    a = operator()
    with pytest.raises(ShapeError, match="kernel 'cpu' expected a tensor"):
        a.transpose(LaidOut.empty(a.dose_shape, 100, torch.device("cpu"), 1.0))
    nx, ny, nz = a.dose_shape
    a._module = SimpleNamespace(workspace=None)
    with pytest.raises(ShapeError, match=rf"laid out for \({nx}, {ny}, {nz + 1}\) voxels; expected"):
        a.transpose(LaidOut.empty((nx, ny, nz + 1), 100, torch.device("cpu"), 1.0))


def test_another_grid_shows_the_same_light():
    """A voxel centre that both grids share takes the same dose where pixels are coarser than either."""
    a = operator((5, 5, 3), 0.5, pixel=0.6, columns=9, rows=5)
    fine = a.on(a.grid.finer(3))
    g = torch.rand(a.pattern_shape, dtype=torch.float64)
    torch.testing.assert_close(fine(g)[1::3, 1::3, 1::3], a(g), rtol=1e-12, atol=0)


def test_wrong_axes_dtype_or_device_are_refused():
    a = operator()
    with pytest.raises(ShapeError, match=r"patterns has shape \(3, 2, 7\); expected \(angle=3, column=7, row=2\)"):
        a(torch.zeros(3, 2, 7, dtype=torch.float64))
    with pytest.raises(ShapeError, match=r"dose has shape \(5, 4, 2\).*\n.*two axes swapped"):
        a.transpose(torch.zeros(5, 4, 2, dtype=torch.float64))
    with pytest.raises(ShapeError, match="patterns has dtype float32; expected float64"):
        a(torch.zeros(a.pattern_shape))
    with pytest.raises(ShapeError, match="patterns is on meta; expected cpu"):
        a(torch.zeros(a.pattern_shape, dtype=torch.float64, device="meta"))


@pytest.mark.parametrize(
    "wrong", [{"absorption": -0.1}, {"absorption": math.nan}, {"absorption": math.inf}, {"radius": 0.0}]
)
def test_impossible_optics_are_refused(wrong):
    with pytest.raises(ShapeError, match="expected an absorption of 0 or more and a radius above 0"):
        operator(**wrong)


def test_a_strided_input_is_read_right():
    a = operator()
    g = torch.rand(2, 7, 3, dtype=torch.float64).permute(2, 1, 0)
    assert not g.is_contiguous()
    torch.testing.assert_close(a(g), a(g.contiguous()))


def test_inside_a_stock_optimiser():
    """Least squares through torch's own Adam: the target is a dose of A's own, so the error falls tenfold and more."""
    a = operator((8, 8, 2), 0.5, columns=9, rows=2, angles=12, radius=2.0)
    wanted = a(torch.rand(a.pattern_shape, generator=torch.Generator().manual_seed(1), dtype=torch.float64))
    g = torch.zeros(a.pattern_shape, dtype=torch.float64, requires_grad=True)
    optimiser = torch.optim.Adam([g], lr=0.05)
    errors = []
    for _ in range(60):
        optimiser.zero_grad()
        loss = (a(g) - wanted).square().sum()
        loss.backward()
        optimiser.step()
        errors.append(loss.item())
    assert errors[-1] < 0.1 * errors[0]


def test_optics_are_changed_as_one_value():
    optics = operator().optics
    other = optics.replace(absorption_per_mm=0.1, rows=5, angle_rad=optics.chords.angle_rad[:2])
    assert (other.absorption_per_mm, other.vial_radius_mm, other.chords.rows) == (0.1, optics.vial_radius_mm, 5)
    assert other.chords.pattern_shape == (2, 7, 5)
    assert optics.chords.rows == 2
    assert optics.straight_rays
    assert not operator(bend=0.1).straight_rays
