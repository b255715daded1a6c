"""The bracketing series: by its own promise, by hand, and what is said where there is none."""

import dataclasses
import math
import re

from hypothesis import given
from hypothesis import strategies as st

from lightlathe.judge import bracket, plan_exposure, spread


def rates(plan):
    return plan.low_mj_cm3 / plan.exposure_s, plan.high_mj_cm3 / plan.exposure_s


def left_out(series, pairs, plan, percent):
    """Thresholds within `percent` of the gel dose that no exposure of the series prints right, for some pair."""
    steps = [plan.gel_mj_cm3 * (1 + (step / 50 - 1) * percent / 100) for step in range(101)]
    return [
        threshold
        for threshold in steps
        for out, inside in pairs
        if not any(t * out <= threshold * (1 + 1e-6) and threshold <= t * inside * (1 + 1e-6) for t in series)
    ]


@given(out=st.floats(0.5, 3), ratio=st.floats(1.05, 3), percent=st.floats(0, 60))
def test_a_series_leaves_no_threshold_out(out, ratio, percent):
    plan = plan_exposure(out, out * ratio, 79, 81, turn_s=2)
    found = bracket(plan, percent)
    told = found.exposures_s or found.other_s or found.dimmer_s
    fine = re.search(r"(\d+) vials in fine steps", found.text())  # where those of nine vials are too fine
    assert told or int(fine[1]) > 5
    for series, turn_s in ((found.exposures_s, 2), (found.other_s, found.other_turn_s)):
        if series:
            assert left_out(series, [rates(plan)], plan, percent) == []
            assert all(abs(t / turn_s - round(t / turn_s)) < 1e-6 for t in series)  # whole turns


@given(ratio=st.floats(1.1, 3), percent=st.floats(0, 30), off=st.lists(st.floats(0.9, 1.1), min_size=1, max_size=4))
def test_a_series_holds_for_every_absorption(ratio, percent, off):
    """Each absorption has its own doses outside and inside; some vial is right for each threshold with each of them."""
    plan = plan_exposure(1.0, ratio, 79, 81, turn_s=0.5)
    windows = [(plan.low_mj_cm3 * f, plan.high_mj_cm3 * f * f) for f in off]
    found = bracket(plan, percent, windows)
    pairs = [rates(plan), *((out / plan.exposure_s, inside / plan.exposure_s) for out, inside in windows)]
    for series in (found.exposures_s, found.other_s):
        if series:
            assert left_out(series, pairs, plan, percent) == []


def test_by_hand():
    # 1 and 2 per turn: n turns print right for thresholds n..2n; 40..120 takes 40 turns and 60, the last no longer
    plan = plan_exposure(1, 2, 79, 81, turn_s=1)
    per_turn = plan.dimming
    first = math.floor(40 / per_turn)
    found = bracket(plan, 50)
    last = math.ceil(60 / per_turn)
    assert found.exposures_s == (first, last)
    assert found.text().startswith(f"2 vials for a threshold known to 50 %: {first}, {last} s with the same levels")
    assert bracket(plan, 0).text() == "one vial is enough for a threshold known to 0 %: this exposure"


def test_where_no_exposure_is_right_that_is_said():
    found = bracket(plan_exposure(9, 8, 60, 100, turn_s=5), 20)
    assert found.exposures_s == ()
    assert found.text().endswith("no exposure is right, whatever the threshold")
    plan = plan_exposure(4, 8, 79, 81, turn_s=5)
    some = bracket(plan, 5, [(50.0, 49.0)], known="this and that")
    assert some.text() == "no bracketing series for this and that: for some of these absorptions no exposure is right"


def test_another_turn_time_is_named_where_it_gives_a_series():
    """One turn of 10 s leaves 70 and 84 mJ/cm3; thresholds of 72 to 88 need 72/70 turns and one more: no whole turns.
    Turns a few times as fast do it, and the very series is said."""
    plan = plan_exposure(70, 84, 79, 81, turn_s=10)
    found = bracket(plan, 10)
    assert plan.turns == 2
    assert found.exposures_s == ()
    assert 1 < len(found.other_s) <= 9
    assert left_out(found.other_s, [rates(plan)], plan, 10) == []
    faster = dataclasses.replace(plan, turn_s=found.other_turn_s)
    assert bracket(faster, 10).exposures_s == found.other_s
    assert f"In turns of {found.other_turn_s:g} s {len(found.other_s)} vials would do" in found.text()
    assert bracket(dataclasses.replace(plan, turn_s=1.05 * found.other_turn_s), 10).exposures_s == ()


def test_a_window_too_narrow_for_any_series_is_told_from_a_step_too_long():
    """0.1 % of window against 40 % of uncertainty: ln(1.2 / 0.8) / ln(1.001) = 406 vials, whatever the turn."""
    found = bracket(plan_exposure(1000, 1001, 79, 81, turn_s=1), 20)
    assert "it would take 406 vials in fine steps of time; measure the resin more closely first" in found.text()


def test_no_series_goes_beyond_the_longest_exposure():
    plan = plan_exposure(1, 2, 79, 81, turn_s=1, max_exposure_s=30)
    found = bracket(plan, 50)
    assert found.exposures_s == ()
    assert found.text().endswith("it would take exposures of up to 60 s, where 30 s is the longest allowed")
    assert bracket(plan_exposure(1, 2, 79, 81, turn_s=1), 50, longest_s=61).exposures_s == (40, 61)


def test_no_turn_is_named_that_stage_or_projector_cannot_do():
    """Turns of 1.1 s, or a lamp so much dimmer: not with 131 images in them, which a projector shows in 2.2 s, nor,
    for the lamp, where nine turns at the plan's speed are not allowed."""
    plan = plan_exposure(70, 84, 79, 81, turn_s=10)
    plain = bracket(plan, 10)
    turn_s, lamp = plain.other_turn_s, f"a lamp at {100 * plain.other_turn_s / 10:.3g} % of its light"
    assert turn_s > 1
    assert f"In turns of {turn_s:g} s" in plain.text()
    assert lamp in plain.text()
    many = bracket(plan, 10, images=int(60 * turn_s) + 5).text()
    assert f"With {lamp} " in many
    assert "In turns of" not in many
    changing = bracket(plan, 10, steady=False)  # its windows are of the plan's exposure alone
    assert changing.exposures_s == changing.other_s == ()
    assert changing.text().endswith("change with the time over which they come")
    assert bracket(plan, 10, safe_dose=False).text().endswith("any dose turns this resin solid")
    assert "lamp" not in bracket(plan, 10, longest_s=max(plain.other_s)).text()
    neither = bracket(plan, 10, images=int(60 * turn_s) + 5, longest_s=max(plain.other_s)).text()
    assert "in turns of 10 s: the step is too long, and it would take turns of" in neither
    assert "images a second where many projectors show 60" in neither
    fast = dataclasses.replace(plan, turn_s=2.0, exposure_s=4.0, shortest_s=3.9, longest_s=4.1)
    assert "which stir the resin" in bracket(fast, 10).why
    assert "exposures of up to" in bracket(plan, 10, longest_s=1.0).text()


def test_one_vial_is_said_to_be_enough_only_where_all_resins_are_right():
    """80 of 100 resins are not all of them: with the absorption's uncertainty the series has to hold for it too."""
    plan = plan_exposure(4, 8, 79, 81, turn_s=1)
    windows = [(30.0, 76.0), (56.6, 113.1), (90.0, 140.0)]
    told = spread(plan.exposure_s, windows, 80.0, 3.0, 10.0)
    assert 0.7 < told.right_share < 0.9
    assert "absorption to 10 %" in told.text()
    assert "enough" not in bracket(plan, 3, windows).text()
    assert "this exposure" in bracket(plan, 3).text()
