"""Quality figures against values counted by hand and against numpy."""

import math

import numpy as np
import pytest
import torch

from lightlathe.errors import ShapeError, SolveError
from lightlathe.judge import best_thresholds, light_use, quality
from lightlathe.judge import order as order_module
from lightlathe.judge.order import pieces_of
from lightlathe.quantities import IGNORED, LIQUID, SOLID, Grid, Part

LIMITS = {"liquid_below_mj_cm3": 60.0, "solid_above_mj_cm3": 100.0}


def row(judged, coverage=None):
    """A part of one row of voxels of 1 mm."""
    judged = torch.tensor(judged, dtype=torch.uint8).reshape(-1, 1, 1)
    coverage = (judged == SOLID).float() if coverage is None else torch.tensor(coverage).reshape(-1, 1, 1)
    return Part(Grid(tuple(judged.shape), 1.0), coverage, judged)


def judge(dose, part, gel=80.0, **extra):
    dose = torch.as_tensor(dose, dtype=torch.float32).reshape(part.grid.shape)
    return quality(dose, dose > gel, part, **LIMITS, **extra)


def test_counted_by_hand():
    part = row([SOLID, SOLID, SOLID, SOLID, LIQUID, LIQUID, LIQUID, LIQUID, LIQUID, IGNORED])
    q = judge([120, 110, 90, 70, 85, 65, 40, 20, 10, 1e6], part)
    assert q["iou"] == 3 / 5  # three right, four wanted, one too much
    assert q["under_cure_fraction"] == 1 / 4
    assert q["over_cure_fraction"] == 1 / 5
    assert q["over_cure_of_part"] == 1 / 4
    assert q["wrong_voxels"] == 2
    assert q["unsure_part_fraction"] == 2 / 4  # 90 and 70 are below 100
    assert q["unsure_liquid_fraction"] == 2 / 5  # 85 and 65 are above 60
    assert (q["window_low_mj_cm3"], q["window_high_mj_cm3"]) == (85, 70)
    assert q["window_relative"] == pytest.approx(1 - 85 / 70)


def test_figures_are_plain_floats_and_carry_the_suffix():
    q = judge([120, 10], row([SOLID, LIQUID]), suffix="_fine")
    assert all(type(value) is float for value in q.values())
    assert q["iou_fine"] == 1.0
    assert all(name.endswith("_fine") for name in q)


def test_no_dose_gives_no_window():
    q = judge([0, 0, 0], row([SOLID, LIQUID, LIQUID]))
    for name in ("window_relative", "window_relative_98", "homogeneity"):
        assert math.isnan(q[name]), name
    assert q["under_cure_fraction"] == 1  # the part does stay liquid


def test_no_light_in_the_part_but_some_outside():
    assert judge([0, 5], row([SOLID, LIQUID]))["window_relative"] == -math.inf


@pytest.mark.parametrize("value", [SOLID, LIQUID, IGNORED])
def test_voxels_of_one_kind_only_give_nan_not_zero_or_one(value):
    q = judge([120, 10], row([value, value]))
    assert math.isnan(q["window_relative"])
    assert math.isnan(q["over_cure_fraction"]) == (value != LIQUID)
    assert math.isnan(q["under_cure_fraction"]) == (value != SOLID)
    assert math.isnan(q["D98_in_mj_cm3"]) == (value != SOLID)
    assert math.isnan(q["iou"]) == (value == IGNORED)  # 120 turns a liquid voxel solid: union 1, iou 0


def test_ignored_voxels_change_nothing():
    part = row([SOLID, LIQUID, IGNORED])
    assert judge([120, 10, 0], part) == judge([120, 10, 500], part)


def random_case(seed=0, shape=(23, 17, 9)):
    rng = torch.Generator().manual_seed(seed)
    judged = torch.randint(0, 3, shape, generator=rng, dtype=torch.uint8)
    dose = torch.rand(shape, generator=rng) * 100 + 60 * (judged == SOLID)
    return dose, Part(Grid(shape, 0.1), (judged == SOLID).float(), judged)


@pytest.mark.parametrize("slab", [1, 700, 1 << 24])
def test_dose_volume_points_against_numpy(slab, monkeypatch):
    """D_v is the inverted empirical distribution, numpy's method of that name; equal to the bit, whatever the slab."""
    monkeypatch.setattr(order_module, "SLAB_VOXELS", slab)
    dose, part = random_case()
    q = quality(dose, dose > 80, part, **LIMITS)
    inside, outside = dose[part.judged == SOLID].numpy(), dose[part.judged == LIQUID].numpy()
    for name, sample, share in (
        ("D98_in_mj_cm3", inside, 0.98),
        ("D50_in_mj_cm3", inside, 0.5),
        ("D2_in_mj_cm3", inside, 0.02),
        ("D2_out_mj_cm3", outside, 0.02),
    ):
        # received by at least v of the voxels: the v-quantile counted from the top
        assert q[name] == -np.quantile(-sample, share, method="inverted_cdf"), name


def test_homogeneity_of_a_normal_dose():
    """ICRU 83 homogeneity (formula from memory): a normal dose with 5 % spread gives 0.2054."""
    n = 40_000
    z = torch.special.ndtri((torch.arange(n, dtype=torch.float64) + 0.5) / n)
    part = row([SOLID] * n)
    assert judge(100 * (1 + 0.05 * z), part)["homogeneity"] == pytest.approx(0.2054, abs=2e-4)  # its last digit


def test_best_thresholds_against_trying_every_threshold():
    dose, part = random_case(3)
    low, high, iou = best_thresholds(pieces_of(dose, part.judged))
    inside, outside = dose[part.judged == SOLID], dose[part.judged == LIQUID]

    def reached(threshold):
        return float((inside > threshold).sum() / (len(inside) + (outside > threshold).sum()))

    best = max(reached(t) for t in [0.0, *inside.tolist(), *outside.tolist()])
    one = 2 / len(inside)  # a bucket 0.05 % wide holds at most a couple of these voxels
    assert best - one <= iou <= best + 1e-6  # never better than possible, but for float32 in `reached`
    assert reached(low) == pytest.approx(iou, abs=one)
    assert low <= high


def test_best_thresholds_are_the_whole_window_where_there_is_one():
    dose = torch.tensor([100.0, 120.0, 60.0, 10.0]).reshape(4, 1, 1)
    low, high, iou = best_thresholds(pieces_of(dose, row([SOLID, SOLID, LIQUID, LIQUID]).judged))
    assert iou == 1
    assert low == pytest.approx(60, rel=1e-3)  # one bucket
    assert high == pytest.approx(100, rel=1e-3)


def test_a_small_part_is_not_best_printed_by_printing_nothing():
    dose = torch.tensor([50.0, 60.0, 70.0, 10.0]).reshape(4, 1, 1)
    low, high, iou = best_thresholds(pieces_of(dose, row([SOLID, LIQUID, LIQUID, LIQUID]).judged))
    assert iou == pytest.approx(1 / 3)
    assert 9 < low < high < 51


def test_no_best_threshold_without_a_part_or_light():
    dose = torch.tensor([0.0, 60.0]).reshape(2, 1, 1)
    assert all(math.isnan(x) for x in best_thresholds(pieces_of(dose, row([SOLID, LIQUID]).judged)))
    assert all(math.isnan(x) for x in best_thresholds(pieces_of(dose, row([LIQUID, LIQUID]).judged)))


def test_light_use_by_hand():
    part = row([SOLID, LIQUID, LIQUID], coverage=[1.0, 0.5, 0.0])
    dose = torch.tensor([100.0, 40.0, 10.0]).reshape(3, 1, 1)
    use = light_use(dose, part, incident_mj=0.5)  # voxels of 1e-3 cm3: absorbed 0.15 mJ, 0.12 of it in the part
    assert use["part_light_fraction"] == pytest.approx(0.24)
    assert use["absorbed_light_fraction"] == pytest.approx(0.30)
    assert use["wasted_light_fraction"] == pytest.approx(0.76)
    assert math.isnan(light_use(dose, part, 0.0)["wasted_light_fraction"])


def test_wrong_shapes_and_broken_doses_are_errors():
    part = row([SOLID, LIQUID])
    with pytest.raises(ShapeError, match="dose has shape"):
        quality(torch.ones(3, 1, 1), torch.ones(2, 1, 1, dtype=torch.bool), part, **LIMITS)
    with pytest.raises(SolveError, match="NaN"):
        judge([math.nan, 1], part)
