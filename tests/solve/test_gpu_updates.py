"""The one-pass functions against their equals in plain torch: on the card, else through Triton's interpreter."""

import math

import pytest
import torch
from gpu_cases import LIMIT, NO, YES, OnDevice, both, numbers

from flat_problems import make
from gpu_device import DEVICE
from lightlathe.gpu.forms import value_and_gradient
from lightlathe.gpu.fused import serve
from lightlathe.gpu.triton_helpers import keep_if
from lightlathe.losses import GapHinge, SoftWindow
from lightlathe.quantities import Target
from lightlathe.solve import SOLVERS, Filtered, Problem, solve
from lightlathe.solve.gpu import accelerated as acc_triton
from lightlathe.solve.gpu import adam as adam_triton
from lightlathe.solve.gpu import free_set as set_triton
from lightlathe.solve.ramp import ramp, taps
from lightlathe.solve.reference import accelerated as acc_passes
from lightlathe.solve.reference import adam as adam_passes
from lightlathe.solve.reference import free_set as set_passes
from operators import gap

SHAPES = [(3, 20, 11), (2, 65, 5), (1, 1, 1), (1, 259, 130)]  # one tile and several, odd columns, more than one slab


@pytest.mark.parametrize("shape", SHAPES)
def test_keep_if(shape):
    new, kept = numbers(shape, 1).to(DEVICE), numbers(shape, 2).to(DEVICE)
    before = kept.clone()
    assert torch.equal(keep_if(NO.to(DEVICE), new, kept), before)
    assert keep_if(YES.to(DEVICE), new, kept) is kept
    assert torch.equal(kept, new)


@pytest.mark.parametrize("shape", SHAPES)
def test_adam(shape):
    given = numbers(shape, 1, positive=True), numbers(shape, 2), numbers(shape, 3), numbers(shape, 4).square()
    scales = torch.tensor([1.3, 0.2], dtype=torch.float64)
    pairs, _, _ = both(adam_triton, adam_passes, "step", *given, scales, keeps=(0.9, 0.999), limit=LIMIT)
    for got, wanted in pairs:
        assert gap(got, wanted) < 1e-6  # a dozen roundings of float32, a root among them


@pytest.mark.parametrize("shape", SHAPES)
def test_accelerated(shape):
    y, before, x = (numbers(shape, seed, positive=True) for seed in (1, 2, 3))
    g, g_before = numbers(shape, 4), numbers(shape, 5)
    pairs, _, _ = both(acc_triton, acc_passes, "turned", y, before, g, g_before)
    scale = float((y - before).double().norm() * (g - g_before).double().norm()) + 1e-30
    for got, wanted in pairs:
        assert abs(float(got - wanted)) < 1e-6 * max(scale, abs(float(wanted)))
    curvature, carry = torch.tensor(2.5, dtype=torch.float64), torch.tensor(0.6, dtype=torch.float64)
    for x_now in (x, (y - g / 2.5).clamp(0, LIMIT) + g.abs() * g.sign()):  # a change downhill in part, and uphill
        pairs, _, _ = both(acc_triton, acc_passes, "carried", y, g, x_now, curvature, carry, limit=LIMIT)
        for got, wanted in pairs:
            assert gap(got, wanted) < 1e-6


def test_accelerated_does_not_carry_on_uphill():
    y, g = numbers((2, 9, 4), 1, positive=True).to(DEVICE), numbers((2, 9, 4), 2).to(DEVICE)
    curvature, carry = torch.tensor(1.0, device=DEVICE), torch.tensor(0.9, device=DEVICE)
    for x, uphill in ((y - 5 * g, True), (y + 5 * g, False)):
        new, trial, said = acc_triton.carried(y, g, x, curvature, carry, limit=LIMIT)
        # x lies five gradients down or up from y, and new one down: the way from x to new points up or down
        assert bool(said) is uphill or float((g * (new - x)).sum()) == 0
        assert torch.equal(trial, new) is uphill


def rounded_ramp(columns):
    """The matrix that the passes in Triton multiply by, (out, in)."""
    even_odd, odd_even = set_triton.halves(columns, DEVICE).double().cpu()
    matrix = torch.eye(columns, dtype=torch.float64) * (0.25 + set_triton.SPARE)
    matrix[::2, 1::2] = even_odd[: (columns + 1) // 2, : columns // 2]
    matrix[1::2, ::2] = odd_even[: columns // 2, : (columns + 1) // 2]
    return matrix


@pytest.mark.parametrize("columns", [1, 2, 33, 512, 2048])
def test_the_ramp_of_rounded_taps_is_symmetric_and_positive_definite(columns):
    matrix = rounded_ramp(columns)
    assert torch.equal(matrix, matrix.T)
    number = torch.arange(columns)
    exact = taps(columns)[number[:, None] - number[None, :] + columns - 1]
    off = (matrix - exact).fill_diagonal_(0.0)
    assert bool((off.abs() <= 2.0**-8 * exact.abs()).all())
    # what the module's docstring counts on: no eigenvalue below the exact ramp's, none 2^-9 above
    added = torch.linalg.eigvalsh(matrix - exact)
    assert float(added[0]) >= 0
    assert float(added[-1]) <= 2.0**-9
    eigenvalues = torch.linalg.eigvalsh(matrix)
    condition = float(eigenvalues[-1] / eigenvalues[0])
    assert condition < 1.4 * columns
    assert 2.0**-8 * (condition**0.5 + condition**-0.5) / 2 < 0.2  # of 1: Kantorovich's bound


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("accepted", [YES, NO])
def test_free_set_looks(shape, accepted):
    tried, x, gradient = numbers(shape, 1, positive=True), numbers(shape, 2, positive=True), numbers(shape, 4)
    pairs, _, _ = both(set_triton, set_passes, "looked", accepted, tried, x, gradient, limit=LIMIT)
    (slope, slope_wanted), (loose, loose_wanted) = pairs
    size = float(gradient.norm() * (tried - x).norm())
    assert abs(float(slope - slope_wanted)) <= 2e-6 * max(size, abs(float(slope_wanted)))  # float32 sums
    assert torch.equal(loose, loose_wanted.float().bfloat16().double())  # rounded as torch rounds


@pytest.mark.parametrize("bits", [0x7FFFFFFF, 0x7FC00000, -0x400000])
def test_a_gradient_that_is_not_a_number_stays_so(bits):
    """0x7FFFFFFF is what arithmetic on a card makes; rounding its bits would carry over into the sign: -0."""
    x, gradient = torch.ones(1, 4, 3), torch.ones(1, 4, 3)
    gradient[0, 2, 1] = torch.tensor([bits], dtype=torch.int32).view(torch.float32)[0]
    loose = set_triton.looked(YES.to(DEVICE), *(t.to(DEVICE) for t in (x, x, gradient)), limit=LIMIT)[1].float().cpu()
    assert loose.isnan().nonzero().tolist() == [[0, 2, 1]]


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("first", [YES, NO])
def test_free_set_steps(shape, first):
    x = numbers(shape, 1, positive=True)
    loose = set_passes.looked(YES, x, x, numbers(shape, 4), limit=LIMIT)[1].bfloat16().float()
    step = torch.tensor(0.7, dtype=torch.float64)
    wanted, length_wanted, _ = set_passes.stepped(x.double(), loose.double(), step, first, change=0.9, limit=LIMIT)
    here = [t.to(DEVICE) for t in (x, loose.bfloat16(), step, first)]
    got = set_triton.stepped(*here, change=0.9, limit=LIMIT)
    trial, length, predicted = (t.double().cpu() for t in got)
    # taps rounded to 8 bits, the middle one off by 2^-10: of the length, and of the step's own size
    assert float(length) == pytest.approx(float(length_wanted), rel=2.0**-7 if bool(first) else 0)
    step_size = float((wanted - x).norm())
    assert float((trial - wanted).norm()) <= 2.0**-7 * step_size + 1e-7 * float(x.norm())
    assert float(predicted) == pytest.approx(float((loose.double() * (trial - x)).sum()), rel=1e-5, abs=1e-6)
    if shape[1] < 200:
        assert torch.equal(set_triton.stepped(*here, change=0.9, limit=LIMIT)[0].double().cpu(), trial)


def test_without_a_gradient_the_first_step_stays_where_it_is():
    x, step = numbers((2, 9, 4), 1, positive=True), torch.tensor(math.nan, dtype=torch.float64)
    for module, kind in ((set_passes, torch.float32), (set_triton, torch.bfloat16)):
        device = DEVICE if module is set_triton else torch.device("cpu")
        given = x.to(device), torch.zeros(x.shape, device=device, dtype=kind), step.to(device), YES.to(device)
        trial, length, predicted = module.stepped(*given, change=1.0, limit=LIMIT)
        assert torch.equal(trial.cpu(), x)
        assert (float(length), float(predicted)) == (0.0, 0.0)


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize(
    "loss",
    [
        GapHinge(),
        GapHinge(exponent=1.0),
        GapHinge(exponent=3.5),
        SoftWindow(sharpest=100),
        SoftWindow(9, 9, 1, slice_sharpness=0),
    ],
)
def test_losses_fused(loss, weighted):
    """Value and slope against autograd in float64."""
    generator = torch.Generator().manual_seed(2)
    dose = 2 * torch.rand(9, 31, 33, generator=generator)
    kind = torch.randint(0, 3, dose.shape, generator=generator)
    weight = torch.rand(dose.shape, generator=generator) + 0.1 if weighted else None
    solid, liquid = kind == 2, kind == 1
    target = Target(solid, liquid, weight)
    here = Target(solid.to(DEVICE), liquid.to(DEVICE), None if weight is None else weight.to(DEVICE))
    got = value_and_gradient(loss, dose.to(DEVICE), here)
    leaf = dose.double().requires_grad_()
    value = loss(leaf, target)
    value.backward()
    # float32 against float64; a power by way of a logarithm in base 2 loses a few digits of the last place
    assert float(got.value) == pytest.approx(float(value.detach()), rel=2e-6)
    assert gap(got.gradient, leaf.grad) < 3e-6


@pytest.mark.parametrize("loss", [GapHinge(), SoftWindow(sharpest=100)])
@pytest.mark.parametrize("shape", [(3, 5, 4), (40, 40, 3)])
def test_a_dose_that_is_not_a_number_is_seen_wherever_it_lies(loss, shape):
    solid = torch.rand(shape, generator=torch.Generator().manual_seed(4)) > 0.5
    target = Target(solid.to(DEVICE), ~solid.to(DEVICE))
    for place in (0, math.prod(shape) // 2, slice(None)):
        dose = torch.ones(shape, device=DEVICE)
        dose.view(-1)[place] = math.nan
        assert value_and_gradient(loss, dose, target).value.isnan()


@pytest.mark.parametrize("loss", [GapHinge(), SoftWindow(10, 100, stages=2)], ids=["hinge", "window"])
@pytest.mark.parametrize("name", ["accelerated_gradient", "adam", "bounded_lbfgs", "free_set_ramp"])
def test_a_design_in_one_pass_goes_the_way_of_one_in_plain_torch(name, loss, monkeypatch):
    """The same losses step by step while roundings have not grown; stages, rejected trials and first steps included."""
    case = make("hook", voxels=12, angles=4)
    operator = OnDevice(case.operator)
    target = Target(case.target.solid.to(DEVICE), case.target.liquid.to(DEVICE))
    problem = Problem(operator, loss, target, limit=3.0)
    assert serve(torch.zeros(1, device=DEVICE))  # or this would hold plain torch to itself
    one = solve(problem, SOLVERS[name](), Filtered(), iterations=8)
    for module in ("gpu.forms", "solve.metrics"):
        monkeypatch.setattr(f"lightlathe.{module}.serve", lambda x: False)
    monkeypatch.setattr(set_passes, "looked", rounded_look)  # plain torch with the roundings that Triton's passes make
    monkeypatch.setattr(set_passes, "ramp", lambda loose: rounded_ramp(loose.shape[1]).to(loose) @ loose)
    other = solve(problem, SOLVERS[name](), Filtered(), iterations=8)
    assert one.log["loss"] == pytest.approx(other.log["loss"], rel=2e-3, abs=1e-6)
    assert one.log["loss"][:2] == pytest.approx(other.log["loss"][:2], rel=1e-3)


def rounded_look(*given, looked=set_passes.looked, **settings):
    slope, loose = looked(*given, **settings)
    return slope, loose.bfloat16().float()


def test_the_rounded_step_is_that_of_the_exact_ramp_nearly():
    """The filter inside the step, seen alone: a step of 1 from levels that are all free."""
    x, gradient = (numbers((2, 40, 6), 1).abs() + 5).to(DEVICE), numbers((2, 40, 6), 2).bfloat16()
    one = torch.tensor(1.0, dtype=torch.float64, device=DEVICE)
    trial = set_triton.stepped(x, gradient.to(DEVICE), one, NO.to(DEVICE), change=1.0, limit=math.inf)[0]
    wanted = ramp(gradient.double())
    assert gap(x.double() - trial.double(), wanted) < 2.0**-8
