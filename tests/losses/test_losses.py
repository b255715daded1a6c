"""Losses: values worked by hand, gradients, and the contract that every member of LOSSES keeps."""

import dataclasses
import math

import pytest
import torch

from lightlathe.errors import JobError, ShapeError
from lightlathe.losses import (
    LOSSES,
    DoseCorridor,
    GapHinge,
    Logistic,
    SoftOverlap,
    SoftWindow,
    SquaredError,
    WorstShare,
)
from lightlathe.quantities import Target

# Two voxels of the part, two that must stay liquid, one that is not judged and would spoil every value.
DOSE = torch.tensor([0.8, 1.3, 0.5, 1.2, 9.9], dtype=torch.float64).reshape(5, 1, 1)
SOLID = torch.tensor([1, 1, 0, 0, 0], dtype=torch.bool).reshape(5, 1, 1)
LIQUID = torch.tensor([0, 0, 1, 1, 0], dtype=torch.bool).reshape(5, 1, 1)
TARGET = Target(SOLID, LIQUID)


def softplus(x):
    return math.log(1 + math.exp(x))


def cure(excess):
    return 1 / (1 + math.exp(-excess))


BY_HAND = {
    "hinge": (GapHinge(1.05, 0.95), (0.25**2 + 0.25**2) / 4),
    "hinge, p = 1": (GapHinge(1.05, 0.95, exponent=1), (0.25 + 0.25) / 4),
    "hinge, p = 8": (GapHinge(1.05, 0.95, exponent=8), 2 * 0.25**8 / 4),
    "squared": (SquaredError(), (1.2**2 + 0.7**2 + 0.5**2 + 1.2**2) / 4),
    "corridor": (DoseCorridor(1.2, 0.1, 0.9), (0.3**2 + 0 + 0 + 0.3**2) / 4),
    "logistic": (Logistic(20), (softplus(4) + softplus(-6) + softplus(-10) + softplus(4)) / 4),
    "overlap": (SoftOverlap(20), 1 - (cure(-4) + cure(6)) / (2 + cure(-10) + cure(4))),
    "window": (
        SoftWindow(10, 10, 1),
        math.log(math.exp(2) + math.exp(-3) + math.exp(-5) + math.exp(2) + math.exp(-10)) / 10,
    ),
    "worst half": (WorstShare(0.5), (0.2 + 0.2) / 2),
    "worst 60 %: two voxels and four tenths of the third": (WorstShare(0.6), (0.2 + 0.2 + 0.4 * -0.3) / 2.4),
    "all of them": (WorstShare(1), (0.2 - 0.3 - 0.5 + 0.2) / 4),
}


@pytest.mark.parametrize("name", BY_HAND)
def test_value_worked_by_hand(name):
    loss, value = BY_HAND[name]
    assert float(loss(DOSE, TARGET)) == pytest.approx(value, rel=1e-13)  # float64, a dozen operations


def test_a_voxel_of_weight_two_counts_as_two_voxels():
    weight = torch.tensor([2, 1, 1, 1, 1], dtype=torch.float64).reshape(5, 1, 1)
    twice = [0, 0, 1, 2, 3, 4]
    doubled = Target(SOLID[twice], LIQUID[twice])
    for loss in (cls() for cls in LOSSES.values()):
        torch.testing.assert_close(loss(DOSE, Target(SOLID, LIQUID, weight)), loss(DOSE[twice], doubled))


def test_a_dose_of_its_own_for_each_voxel():
    wanted = torch.tensor([1.0, 1.5, 0, 0, 0], dtype=torch.float64).reshape(5, 1, 1)
    graded = Target(SOLID, LIQUID, dose=wanted)
    assert float(DoseCorridor(tolerance=0.1, outside_at_most=2)(DOSE, graded)) == pytest.approx((0.1**2 + 0.1**2) / 4)
    assert float(SquaredError()(DOSE, graded)) == pytest.approx((0.2**2 + 0.2**2 + 0.5**2 + 1.2**2) / 4)


@pytest.mark.parametrize("name", LOSSES)
class TestEveryLoss:
    def test_is_a_frozen_dataclass_of_plain_numbers(self, name):
        loss = LOSSES[name]()
        assert all(isinstance(value, int | float | None) for value in dataclasses.asdict(loss).values())
        with pytest.raises(dataclasses.FrozenInstanceError):
            loss.anything = 1

    def test_gradient(self, name):
        generator = torch.Generator().manual_seed(7)
        dose = (torch.rand(3, 4, 2, generator=generator, dtype=torch.float64) * 2).requires_grad_()
        solid = torch.rand(3, 4, 2, generator=generator) > 0.6
        liquid = ~solid & (torch.rand(3, 4, 2, generator=generator) > 0.2)
        weight = torch.rand(3, 4, 2, generator=generator) + 0.5
        assert torch.autograd.gradcheck(lambda d: LOSSES[name]()(d, Target(solid, liquid, weight)), dose)

    def test_voxels_that_are_not_judged_have_no_gradient(self, name):
        dose = DOSE.clone().requires_grad_()
        (slope,) = torch.autograd.grad(LOSSES[name]()(dose, TARGET), dose)
        assert slope[4] == 0
        assert slope[:4].abs().sum() > 0

    def test_better_doses_lose_less(self, name):
        right = torch.tensor([1.15, 1.25, 0.2, 0.1, 0.0], dtype=torch.float64).reshape(5, 1, 1)
        assert LOSSES[name]()(right, TARGET) < LOSSES[name]()(DOSE, TARGET)

    def test_follows_the_dtype(self, name):
        value = LOSSES[name]()(DOSE.float(), TARGET)
        assert value.dtype == torch.float32
        # eight operations of float32 at most on numbers near 1, and a power of eight
        assert float(value) == pytest.approx(float(LOSSES[name]()(DOSE, TARGET)), rel=1e-5)

    def test_finite_for_any_dose(self, name):
        for level in (0.0, 1e-30, 1e4):
            dose = torch.full((5, 1, 1), level, requires_grad=True)
            value = LOSSES[name]()(dose, TARGET)
            (slope,) = torch.autograd.grad(value, dose)
            assert bool(value.isfinite())
            assert bool(slope.isfinite().all())

    def test_refuses_a_dose_of_another_grid(self, name):
        with pytest.raises(ShapeError, match="dose has shape"):
            LOSSES[name]()(DOSE[:4], TARGET)


@pytest.mark.parametrize(
    "make",
    [
        lambda: GapHinge(0.9, 1.0),
        lambda: GapHinge(exponent=0.5),
        lambda: SquaredError(0, 1),
        lambda: DoseCorridor(tolerance=-1),
        lambda: Logistic(0),
        lambda: SoftOverlap(-1),
        lambda: SoftWindow(100, 10),
        lambda: SoftWindow(last_share=0),
        lambda: SoftWindow(slice_sharpness=-1),
        lambda: WorstShare(0),
    ],
)
def test_settings_that_make_no_sense_are_refused(make):
    with pytest.raises(JobError, match="expected"):
        make()


def test_soft_window_lies_between_the_worst_voxel_and_its_bound():
    """Boyd & Vandenberghe, Convex Optimization (2004), 3.1.5: max <= log sum exp <= max + log n, here over k."""
    for k in (10.0, 1000.0):
        excess = float(SoftWindow(k, k, 1)(DOSE, TARGET)) - 0.2
        assert 0 <= excess <= math.log(5) / k


def test_soft_window_sharpens_from_stage_to_stage_and_ends_at_its_sharpest():
    loss = SoftWindow(10, 1000, stages=5, last_share=0.2)
    found = [loss.stage(share).sharpest for share in (0, 0.19, 0.2, 0.4, 0.6, 0.79, 0.8, 0.999)]
    assert found == pytest.approx([10, 10, 31.6228, 100, 316.228, 316.228, 1000, 1000], rel=1e-5)


def test_soft_window_joins_slices_the_more_sharply_the_longer_the_design():
    """A twelfth of the last sharpness of the voxels, 20 or more, never sharper than the voxels; what is said counts."""
    for iterations, q in ((40, 25.1), (200, 214.3), (1000, 250.0)):
        assert SoftWindow().over(iterations).stage(0.9).joining == pytest.approx(q, rel=1e-3)
    assert SoftWindow().over(200).stage(0.0).joining == 10
    assert SoftWindow(sharpest=100).over(200).stage(1.0).joining == 20
    assert SoftWindow(slice_sharpness=3).over(200).stage(1.0).joining == 3


def test_soft_window_weighs_slices_by_how_bad_they_are():
    """Two slices by hand: their mean for q = 0, log(mean of exp(q S)) / q else, which lies between mean and worst."""
    two = torch.cat([DOSE, DOSE - 0.1], dim=2)
    target = Target(SOLID.expand(5, 1, 2), LIQUID.expand(5, 1, 2))
    first, second = (float(SoftWindow(10, 10, 1)(dose, TARGET)) for dose in (DOSE, DOSE - 0.1))
    values = [float(SoftWindow(10, 10, 1, slice_sharpness=q)(two, target)) for q in (0, 5, 10, 1e9)]
    assert values[0] == pytest.approx((first + second) / 2)
    assert values[1] == pytest.approx(math.log((math.exp(5 * first) + math.exp(5 * second)) / 2) / 5)
    assert values[2] == values[3]  # never sharper than the voxels
    assert values[0] < values[1] < values[2] < max(first, second)


def test_worst_share_of_one_voxel_is_the_maximum():
    assert float(WorstShare(0.25)(DOSE, TARGET)) == pytest.approx(0.2)
