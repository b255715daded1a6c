"""The exposure plan: worked by hand, and by its own promise (what it calls right is right)."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightlathe.errors import JobError
from lightlathe.judge import plan_exposure


def test_worked_by_hand():
    # one turn leaves 4 outside and 8 inside; the resin wants <= 60 and >= 90: x from 11.25 to 15, middle 12.99
    plan = plan_exposure(4, 8, 60, 90, turn_s=5)
    assert plan.sure
    assert plan.turns == 13
    assert plan.dimming == pytest.approx(math.sqrt(11.25 * 15) / 13)
    assert plan.exposure_s == 65
    assert plan.low_mj_cm3 == pytest.approx(51.96, abs=0.01)
    assert plan.high_mj_cm3 == pytest.approx(103.92, abs=0.01)
    assert plan.shortest_s == pytest.approx(65 * 90 / 103.92, rel=1e-4)
    assert plan.longest_s == pytest.approx(65 * 60 / 51.96, rel=1e-4)
    assert plan.right
    assert plan.reachable


def test_resin_band_wider_than_the_window_uses_the_gel_dose():
    plan = plan_exposure(6, 8, 40, 120, turn_s=5)  # 8/6 < 120/40: not sure; gel dose 80
    assert not plan.sure
    assert plan.right
    assert math.sqrt(plan.low_mj_cm3 * plan.high_mj_cm3) == pytest.approx(80)


def test_negative_window_takes_the_best_threshold():
    plan = plan_exposure(9, 8, 60, 100, turn_s=5, best_per_turn=(8.4, 8.6))
    assert not plan.right
    assert math.isnan(plan.shortest_s)
    assert plan.turns * plan.dimming * 8.5 == pytest.approx(80)
    assert "no exposure prints every voxel of the job's own grid right" in plan.text()


def test_a_resin_without_a_threshold_is_never_right():
    plan = plan_exposure(1, 8, 0, 100, turn_s=5)
    assert not plan.right


def test_nothing_outside():
    plan = plan_exposure(0, 8, 60, 100, turn_s=5)
    assert plan.right
    assert plan.longest_s == math.inf


def test_too_short_a_time_allowed_is_said():
    plan = plan_exposure(4, 8, 60, 90, turn_s=5, max_exposure_s=20)
    assert (plan.turns, plan.dimming, plan.reachable, plan.right) == (4, 1.0, False, False)
    with pytest.raises(JobError, match="less than one turn"):
        plan_exposure(4, 8, 60, 90, turn_s=5, max_exposure_s=4)


def test_an_exposure_that_misses_says_by_how_much():
    """One turn leaves 4 and 8; 60 and 90 are wanted: right from 11.25 to 15 turns of 5 s. No margin below 0."""
    short = plan_exposure(4, 8, 60, 90, turn_s=5, max_exposure_s=20).text()
    on = "s on voxels of the job's own grid, whatever the threshold within the resin's two doses: "
    assert short.endswith(f"right from 56.2 to 75.0 {on}20.0 s is "
                          "36.2 s (181 %) too short")  # fmt: skip
    long = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=20.0).text()
    assert long.endswith("100.0 s is 6.2 s (6 %) too long")  # for the gel dose, 75: from 46.9 to 93.75 s
    assert "-" not in short + long


def test_the_ends_are_told_from_each_other_and_long_times_are_said_in_days():
    plan = plan_exposure(59.9, 90.2, 60, 90, turn_s=10)  # 0.2 % either way
    low, high = re.search(r"right from ([\d.]+) to ([\d.]+) s", plan.text()).groups()
    assert 9.9 < float(low) < 10 < float(high) < 10.1
    assert "0.0 s" not in plan.text().splitlines()[1]
    assert "(0 %)" not in plan.text()
    weak = plan_exposure(0.001, 0.002, 60, 90, turn_s=10, max_exposure_s=86400).text()
    assert weak.startswith("24 h: 8640 turns of 10 s")
    assert "right from 5.208 to 6.944 days" in weak
    dim = plan_exposure(20000, 30000, 60, 90, turn_s=10).text()
    assert "levels at 0.003 of the design's light" in dim


def test_what_is_not_judged_is_not_called_dark():
    plan = plan_exposure(math.nan, 8, 60, 90, turn_s=5)
    assert plan.text(around=False).endswith("nothing around the part is judged")
    assert plan_exposure(0, 8, 60, 90, turn_s=5).text().endswith("no light falls outside the part")


def test_no_light_in_the_part_is_an_error():
    with pytest.raises(JobError, match="some dose in the part"):
        plan_exposure(0, 0, 60, 90, turn_s=5)


doses = st.floats(0.01, 1e3)


@given(out=doses, inside=doses, low=doses, band=st.floats(1, 4), turn_s=st.floats(0.5, 60))
def test_what_the_plan_calls_right_is_right(out, inside, low, band, turn_s):
    high = low * band
    plan = plan_exposure(out, inside, low, high, turn_s)
    hair = 1e-9  # rounding of the products
    assert 0 < plan.dimming <= 1
    assert plan.right == (inside > out)
    if plan.sure:
        assert plan.low_mj_cm3 <= low * (1 + hair)
        assert plan.high_mj_cm3 >= high * (1 - hair)
    elif plan.right:
        assert plan.low_mj_cm3 <= plan.gel_mj_cm3 * (1 + hair) <= plan.high_mj_cm3 * (1 + 2 * hair)
    for end, limit in ((plan.longest_s, plan.low_mj_cm3), (plan.shortest_s, plan.high_mj_cm3)):
        if plan.right:  # at either end of the margin one dose touches its limit
            touched = limit * end / plan.exposure_s
            assert min(abs(touched / x - 1) for x in (low, high, plan.gel_mj_cm3)) < 1e-6


def test_doses_that_are_wanted_as_they_are_set_the_exposure():
    """1.6 turns of full levels are asked for: two turns at 0.8 of the levels, whatever the threshold would like."""
    plan = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=1.6)
    assert (plan.turns, plan.dimming, plan.exposure_s) == (2, pytest.approx(0.8), 10)
    assert not plan.sure
    assert not plan.right  # 12.8 mJ/cm3 in the part where 75 are needed
    within = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=14.5)
    assert within.sure
    assert within.right  # 58 outside, 116 inside
