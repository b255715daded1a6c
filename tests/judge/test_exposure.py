"""The exposure plan: worked by hand, and by its own promise (what it calls right is right)."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightlathe.errors import JobError
from lightlathe.judge import bracket, bracket_text, plan_exposure


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
    assert "no exposure prints all of the job's own voxels right" in plan.text()
    assert json.loads(json.dumps(plan.as_json()))["shortest_s"] is None


def test_a_resin_without_a_threshold_is_never_right():
    plan = plan_exposure(1, 8, 0, 100, turn_s=5)
    assert not plan.right


def test_nothing_outside():
    plan = plan_exposure(0, 8, 60, 100, turn_s=5)
    assert plan.right
    assert plan.longest_s == math.inf
    json.dumps(plan.as_json(), allow_nan=False)


def test_too_short_a_time_allowed_is_said():
    plan = plan_exposure(4, 8, 60, 90, turn_s=5, max_exposure_s=20)
    assert (plan.turns, plan.dimming, plan.reachable, plan.right) == (4, 1.0, False, False)
    with pytest.raises(JobError, match="less than one turn"):
        plan_exposure(4, 8, 60, 90, turn_s=5, max_exposure_s=4)


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


@given(out=st.floats(0.5, 3), ratio=st.floats(1.05, 3), percent=st.floats(0, 60))
def test_a_bracketing_series_leaves_no_threshold_out(out, ratio, percent):
    plan = plan_exposure(out, out * ratio, 79, 81, turn_s=2)
    series = bracket(plan, percent)
    per_s = plan.low_mj_cm3 / plan.exposure_s, plan.high_mj_cm3 / plan.exposure_s
    if not series:
        return
    for step in range(101):
        threshold = 80 * (1 + (step / 50 - 1) * percent / 100)
        assert any(t * per_s[0] <= threshold * (1 + 1e-6) and threshold <= t * per_s[1] * (1 + 1e-6) for t in series)
    assert all(abs(t / 2 - round(t / 2)) < 1e-9 for t in series)  # whole turns


def test_a_bracketing_series_by_hand():
    # 1 and 2 per turn: n turns print right for thresholds n..2n; 40..120 takes 40 turns and 80 turns
    plan = plan_exposure(1, 2, 79, 81, turn_s=1)
    per_turn = plan.dimming
    series = bracket(plan, 50)
    first = math.floor(40 / per_turn)
    second = math.floor(2 * first * per_turn / per_turn)
    assert series == (first, second)
    assert bracket(plan, 0) == (math.floor(80 / per_turn),)


def test_no_series_for_a_negative_window():
    assert bracket(plan_exposure(9, 8, 60, 100, turn_s=5), 20) == ()


def test_a_series_in_words():
    assert bracket_text((), 20.0).startswith("no bracketing series")
    assert "one vial" in bracket_text((55.0,), 5.0)
    assert bracket_text((40.0, 80.0), 50.0).startswith("2 vials for a threshold known to 50 %: 40.0, 80.0 s")


def test_doses_that_are_wanted_as_they_are_set_the_exposure():
    """1.6 turns of full levels are asked for: two turns at 0.8 of the levels, whatever the threshold would like."""
    plan = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=1.6)
    assert (plan.turns, plan.dimming, plan.exposure_s) == (2, pytest.approx(0.8), 10)
    assert not plan.sure
    assert not plan.right  # 12.8 mJ/cm3 in the part where 75 are needed
    within = plan_exposure(4, 8, 60, 90, turn_s=5, full_turns=14.5)
    assert within.sure
    assert within.right  # 58 outside, 116 inside
