"""The GPU kernels against the reference: on the card where there is one, else through Triton's interpreter."""

import math

import pytest
import torch

from gpu_device import DEVICE, ON_CARD
from lightlathe.dose import Views
from lightlathe.dose.kernels import choose, directions, reference, self_test
from lightlathe.dose.lines import Lines
from lightlathe.errors import KernelUnavailable
from lightlathe.gpu.forms import value_and_gradient
from lightlathe.gpu.packed import LaidOut
from lightlathe.losses import GapHinge, SoftWindow
from lightlathe.quantities import Target
from operators import gap, operator

HOPPER = ON_CARD and torch.cuda.get_device_capability() == (9, 0)
KERNELS = ["triton", *(["hopper"] if HOPPER else [])]
BOTH = [("triton", "half"), ("triton", "single"), *([("hopper", "half")] if HOPPER else [])]

# Halves round by at most 2^-11 = 4.9e-4 of a number, light and weights both; the norm of many takes about half of it.
# "single" carries 22 bits or more of each; float32 sums, roots and powers of two leave some 1e-7, near the rim 1e-6.
ALLOWED = {"half": 7e-4, "single": 3e-6}


def turn(angles: int, first: float = 0.0) -> torch.Tensor:
    return first + torch.arange(angles, dtype=torch.float64) * (math.tau / angles)


# name: angles, bins, bin_mm, nx, ny, radius_mm, absorption_per_mm, slices; voxels of 1 mm
CASES = {
    "pairs": (turn(6), 13, 1.0, 11, 9, 6.0, 0.1, 5),
    "odd angles, no opposites": (turn(5, 0.1), 9, 1.3, 12, 12, 5.5, 0.2, 3),
    "coarse bins": (turn(4, 0.7), 4, 3.7, 13, 10, 7.0, 0.05, 2),
    "any angles": (torch.tensor([0.3, 3.0, 7.0, -2.0, 0.31, 0.3 + math.pi]).double(), 20, 1.7, 17, 16, 30.0, 0.05, 2),
    "one of each": (torch.tensor([0.3]).double(), 1, 1.0, 1, 1, 5.0, 0.0, 1),
    "one column": (turn(3), 1, 1.0, 7, 6, 4.0, 0.1, 2),
    "one row of voxels": (turn(7), 12, 1.0, 1, 10, 6.0, 0.1, 4),
    "many bins": (turn(4), 70, 1.0, 9, 9, 40.0, 0.03, 2),
    "small vial": (turn(6), 20, 1.0, 20, 20, 3.2, 0.1, 2),
    "fine turn": (turn(20), 20, 1.0, 18, 19, 10.0, 0.1, 17),
    "off the axis": (turn(6), 13, 1.0, 11, 9, 6.0, 0.1, 5),
    "far off the axis, any angles": (
        torch.tensor([0.3, 3.0, 7.0, -2.0, 0.3 + math.pi]).double(),
        9,
        1.7,
        17,
        16,
        9.0,
        0.1,
        3,
    ),
    "fine bins": (turn(4, 0.2), 41, 0.4, 11, 12, 6.0, 0.1, 3),
    "bins four times as fine, off the axis": (turn(2, 0.2), 40, 0.25, 12, 9, 6.0, 0.1, 2),
    "uneven": (turn(2, 0.3), 19, 1.0, 18, 17, 9.0, 0.1, 3),
    "bent": (turn(4, 0.1), 24, 0.9, 19, 21, 10.0, 0.1, 3),
    "bent, fine": (turn(2, 0.4), 40, 0.3, 11, 12, 6.0, 0.1, 2),
    "bent, two columns": (turn(4, 0.4), 2, 3.0, 9, 8, 6.0, 0.1, 2),
}
MIDDLES = {"off the axis": 0.37, "far off the axis, any angles": -4.2, "bins four times as fine, off the axis": 1.1}
FINE = ["fine bins", "bins four times as fine, off the axis"]
LINES = ["uneven", "bent", "bent, fine", "bent, two columns"]


def views_of(case: str, precision: str) -> tuple[Views, int]:
    angle, bins, bin_mm, nx, ny, radius, absorption, slices = CASES[case]
    lines = None
    if case in LINES:  # spread towards the rim; as a bare vial bends them: towards the axis, up to 0.6 rad at the rim
        s = (torch.arange(bins).double() - (bins - 1) / 2) * bin_mm
        lines = Lines(s + 0.1 + 0.001 * s**3, (0.06 if "bent" in case else 0.0) * s)
    more = {"middle_mm": MIDDLES.get(case, 0.0), "lines": lines}
    return Views(angle, bins, bin_mm, nx, ny, 1.0, radius, absorption, precision, **more), slices


def cases_of(kernel: str) -> list[str]:
    """Those it takes: the other kernel for cards has parallel bins alone, down to half a voxel."""
    return [case for case in CASES if kernel == "triton" or case not in FINE + LINES]


def kernel_named(name: str, views: Views):
    return choose(name, views, DEVICE, torch.float32)[1]


each_kernel = pytest.mark.parametrize("kernel", KERNELS)


@pytest.mark.parametrize(
    ("kernel", "precision", "case"), [(kernel, how, case) for kernel, how in BOTH for case in cases_of(kernel)]
)
def test_both_directions_agree_with_the_reference(kernel, case, precision, monkeypatch):
    views, slices = views_of(case, precision)
    module = kernel_named(kernel, views)
    generator = torch.Generator().manual_seed(7)
    light = torch.rand(views.view_shape(slices), generator=generator)
    dose = torch.randn(views.dose_shape(slices), generator=generator)
    empty = torch.empty
    monkeypatch.setattr(torch, "empty", lambda *a, **k: empty(*a, **k).fill_(math.nan))  # scratch memory holds anything
    monkeypatch.setattr(torch, "empty_like", lambda x, **k: torch.full_like(x, math.nan, **k))
    deposited, collected = module.deposit(light.to(DEVICE), views), module.collect(dose.to(DEVICE), views)
    monkeypatch.undo()
    assert gap(deposited, reference.deposit(light.double(), views)) < ALLOWED[precision]
    assert gap(collected, reference.collect(dose.double(), views)) < ALLOWED[precision]
    if not (ON_CARD or case in ("pairs", "bent")):
        return  # the interpreter runs one thing after the other, and a gain is one factor: shown by two of its cases
    again = module.deposit(light.to(DEVICE), views), module.collect(dose.to(DEVICE), views)
    gained = module.deposit(light.to(DEVICE), views, 0.37), module.collect(dose.to(DEVICE), views, 0.37)
    assert torch.equal(deposited, again[0])
    assert torch.equal(collected, again[1])
    for one, times in zip((deposited, collected), gained, strict=True):
        torch.testing.assert_close(times, 0.37 * one, rtol=1e-6, atol=1e-6 * float(one.abs().max()))  # float32 products


@each_kernel
def test_told_that_the_light_stays_below_some_level_a_kernel_gives_the_same_dose(kernel):
    views, slices = views_of("fine turn", "half")
    light = torch.rand(views.view_shape(slices), generator=torch.Generator().manual_seed(7))
    for most in (1.0, 30.0):
        deposited = kernel_named(kernel, views).deposit(light.to(DEVICE), views, 0.37, most)
        assert gap(deposited, 0.37 * reference.deposit(light.double(), views)) < ALLOWED["half"]


def narrow_vial(kernel, rows):
    """Narrower than the grid."""
    return operator(
        (80, 90, 61), 0.1, angles=50, columns=90, rows=rows, pixel=0.1, radius=3.9, absorption=0.2, first_rad=0.0,
        kernel=kernel, device=DEVICE, dtype=torch.float32,
    ).scaled(0.05)  # fmt: skip


@pytest.mark.parametrize(("kernel", "rows"), [("triton", 40), ("triton", 61), *([("hopper", 40)] if HOPPER else [])])
def test_no_workspace_in_other_kernels_nor_where_rows_become_slices_in_the_dose(kernel, rows):
    plain = narrow_vial(kernel, rows)
    assert plain.workspace() is None
    assert plain.within(10).workspace() is None


@pytest.mark.skipif(not HOPPER, reason="needs a card that the kernel 'hopper' takes")
@pytest.mark.parametrize("loss", [GapHinge(), SoftWindow(30, 30, 1)])
def test_slopes_laid_out_give_the_gradient(loss):
    plain = narrow_vial("hopper", 61)
    told = plain.within(10)
    generator = torch.Generator(DEVICE).manual_seed(3)
    patterns = 2 * torch.rand(plain.pattern_shape, device=DEVICE, generator=generator)
    solid = torch.rand(plain.dose_shape, device=DEVICE, generator=generator) > 0.5
    # the same halves but for those too small for all digits under one of the two powers of two
    assert gap(told(patterns), plain(patterns)) < 1e-6
    dose, target = told(patterns), Target(solid, ~solid)
    laid = value_and_gradient(loss, dose, target, told.workspace()).gradient
    assert isinstance(laid, LaidOut)
    wanted = plain.transpose(value_and_gradient(loss, dose, target).gradient)
    assert gap(told.transpose(laid), wanted) < 1e-4  # both round the slope, to other powers of two
    assert torch.equal(told.transpose(laid), told.transpose(laid))


@each_kernel
def test_the_comparison_can_fail(kernel):
    views, slices = views_of("pairs", "half")
    light = torch.rand(views.view_shape(slices), generator=torch.Generator().manual_seed(7))
    deposited = kernel_named(kernel, views).deposit(light.to(DEVICE), views)
    assert gap(deposited * 1.001, reference.deposit(light.double(), views)) > ALLOWED["half"]


@pytest.mark.parametrize(("kernel", "precision"), BOTH)
def test_adjoint(kernel, precision):
    """<A g, v> = <g, A' v>, as a share of the norms. In halves light and voxels are rounded, each in one direction."""
    views, slices = views_of("fine turn", precision)
    module = kernel_named(kernel, views)
    generator = torch.Generator().manual_seed(3)
    light = torch.rand(views.view_shape(slices), generator=generator)
    voxels = torch.rand(views.dose_shape(slices), generator=generator)
    if precision == "half":  # numbers that halves hold exactly: what is left is the weights, made alike in both
        light, voxels = light.half().float(), voxels.half().float()
    deposited = module.deposit(light.to(DEVICE), views).double().cpu()
    collected = module.collect(voxels.to(DEVICE), views).double().cpu()
    difference = (deposited * voxels).sum() - (light * collected).sum()
    # float32 sums, which the matrix units cut off and do not round: 6e-7 seen on an H100 for halves
    allowed = {"half": 2e-6, "single": 2e-7}[precision]
    assert abs(float(difference / (deposited.norm() * voxels.norm()))) < allowed


@each_kernel
@pytest.mark.parametrize("size", [0.0, 1e-30, 1e30])
def test_any_size_of_number(kernel, size):
    """Halves reach from 6e-8 to 65504 only; a loss over a billion voxels has gradients far below."""
    views, slices = views_of("pairs", "half")
    module = kernel_named(kernel, views)
    generator = torch.Generator().manual_seed(5)
    light = torch.rand(views.view_shape(slices), generator=generator) * size
    dose = torch.rand(views.dose_shape(slices), generator=generator) * size
    deposited, collected = module.deposit(light.to(DEVICE), views), module.collect(dose.to(DEVICE), views)
    if size == 0:
        assert not deposited.any()
        assert not collected.any()
    else:
        assert gap(deposited, reference.deposit(light.double(), views)) < ALLOWED["half"]
        assert gap(collected, reference.collect(dose.double(), views)) < ALLOWED["half"]


@each_kernel
def test_empty_and_dark_slices(kernel):
    views, _ = views_of("pairs", "half")
    module = kernel_named(kernel, views)
    assert module.deposit(torch.zeros(views.view_shape(0), device=DEVICE), views).shape == views.dose_shape(0)
    assert module.collect(torch.zeros(views.dose_shape(0), device=DEVICE), views).shape == views.view_shape(0)
    light = torch.zeros(views.view_shape(4), device=DEVICE)
    light[:, :, 2] = 1
    deposited = module.deposit(light, views)
    assert deposited[:, :, 2].any()
    assert not deposited[:, :, [0, 1, 3]].any()


@pytest.mark.parametrize(("kernel", "precision"), BOTH)
def test_gradients(kernel, precision):
    """Of sum(d * (A p)^2), through DoseOperator and a resampling of pixels: both directions in one chain."""
    light = {"angles": 5, "columns": 9, "rows": 3, "pixel": 0.6, "radius": 2.1, "absorption": 0.3, "first_rad": 0.2}
    here = {"kernel": kernel, "device": DEVICE, "dtype": torch.float32, "precision": precision}
    made, exact = operator((7, 8, 3), **light, **here), operator((7, 8, 3), **light, kernel="reference")
    assert made.kernel == kernel
    generator = torch.Generator().manual_seed(11)
    patterns = torch.rand(made.pattern_shape, generator=generator)
    dose = torch.randn(made.dose_shape, generator=generator)
    given = patterns.to(DEVICE).clone().requires_grad_()
    wanted = patterns.double().requires_grad_()
    (made(given).square() * dose.to(DEVICE)).sum().backward()
    (exact(wanted).square() * dose.double()).sum().backward()
    assert gap(given.grad, wanted.grad) < 2 * ALLOWED[precision]  # one error of each direction


@each_kernel
def test_float64_is_refused_by_name(kernel):
    views, _ = views_of("pairs", "half")
    with pytest.raises(KernelUnavailable, match=rf"kernel '{kernel}' cannot run here: it computes in float32"):
        choose(kernel, views, DEVICE, torch.float64)


@each_kernel
def test_a_kernel_that_is_wrong_is_refused(kernel):
    views, _ = views_of("pairs", "half")
    module = kernel_named(kernel, views)

    def wrong(x, views, gain, most=None):
        return module.deposit(x, views, gain, most) * 1.01

    said = self_test.fault(wrong, module.collect, Views, "half", DEVICE)
    assert said is not None
    assert "in the dose," in said

    def wrongly_told(x, views, gain, most=None):
        return module.deposit(x, views, gain, most) * (1 if most is None else 1.01)

    said = self_test.fault(wrongly_told, module.collect, Views, "half", DEVICE)
    assert said is not None
    assert "in the dose, told the most light" in said

    def broken(x, views, gain):
        raise RuntimeError("no such instruction")

    said = self_test.fault(module.deposit, broken, Views, "half", DEVICE)
    assert said is not None
    assert "no such instruction" in said


def test_opposite_views_share_a_direction():
    found = directions.pairs(torch.tensor([0.0, math.pi / 2, math.pi, 1.0, -math.pi / 2, 1.0], dtype=torch.float64))
    assert [(round(d, 6), view, opposite) for d, view, opposite in found] == [
        (0.0, 0, 2),
        (1.0, 3, -1),
        (1.0, 5, -1),
        (round(math.pi / 2, 6), 1, 4),
    ]


def test_a_full_turn_is_all_pairs_and_every_view_appears_once():
    for angles in (2, 7, 180, 360, 720):
        members = [n for _, *pair in directions.pairs(turn(angles)) for n in pair if n >= 0]
        assert sorted(members) == list(range(angles))
        assert len(directions.pairs(turn(angles))) == (angles // 2 if angles % 2 == 0 else angles)
