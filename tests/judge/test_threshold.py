"""Intervals of the threshold from words, and how prints and job are put together: by hand."""

import math
from dataclasses import replace

import pytest

from lightlathe.judge.evidence import PLACED, Bound, Doses, bound_of
from lightlathe.judge.seen import CameOut
from lightlathe.judge.threshold import Estimate, Stated, resin_values, threshold_from, with_job
from lightlathe.judge.vials import Vial, at_odds, centre_liquid, contradicting, telling

FALL = (60.0, 50.0, 40.0, 20.0)
FLAT = Doses(
    10.0,
    0.1,
    (-1.0, -0.1, 0.1, 1.0),
    FALL,
    tuple(0.9 * d for d in FALL),
    tuple(1.1 * d for d in FALL),
    55.0,
    52.0,
    30.0,
    38.0,
    45.0,
    58.0,
)


@pytest.mark.parametrize(
    ("seen", "low", "high"),
    [
        (CameOut("nothing"), 2 * 52.0, math.inf),
        (CameOut("all solid"), 0.0, 2 * 30.0),
        (CameOut("holes closed"), 0.0, 2 * 38.0),
        (CameOut("right"), 2 * 38.0 / 1.02, 2 * 45.0 * 1.02),  # the window of the summary, and 2 %
        (CameOut("thin"), 2 * 45.0, math.inf),
        (CameOut("fat"), 0.0, 2 * 38.0),
        (CameOut("soft"), 0.0, 2 * 58.0),
        (CameOut("mirrored"), 0.0, math.inf),
        (CameOut("liquid centre"), 0.0, math.inf),
    ],
)
def test_bounds_by_hand_at_twice_the_exposure(seen, low, high):
    bound = bound_of(seen, FLAT, 20.0)
    assert (bound.low, bound.high) == (pytest.approx(low), pytest.approx(high))


def test_a_measured_size_by_hand():
    """0.2 mm too thin: each surface 0.1 mm in, where the dose was 50, a tenth more and less; 0.005 mm and a quarter
    voxel either way. Without a window nothing else is known; with one, the part's weakest place stayed liquid."""
    give = 0.005 + PLACED * 0.1
    bound = bound_of(CameOut("thin", 0.2, 0.01), FLAT, 10.0)
    assert bound.value == pytest.approx(50.0)
    assert bound.low == 45.0
    assert bound.high == pytest.approx(1.1 * FLAT.at(-0.1 - give))
    bound = bound_of(CameOut("thin", 0.2, 0.01), replace(FLAT, by_window=False), 10.0)
    assert bound.low == pytest.approx(0.9 * FLAT.at(-0.1 + give))


def test_bracketing_by_hand():
    """Nothing at 8 s: above 0.8 * 52 = 41.6. Holes closed at 12 s: below 1.2 * 38 = 45.6. So about 43.6, sqrt of "
    "both."""
    vials = [Vial(8.0, (CameOut("nothing"),)), Vial(12.0, (CameOut("holes closed"),))]
    found = threshold_from(vials, FLAT)
    assert (found.low, found.high) == (pytest.approx(41.6), pytest.approx(45.6))
    assert found.value == pytest.approx(math.sqrt(41.6 * 45.6))
    assert not contradicting(vials)


def test_prints_and_job_together_by_hand():
    """Prints allow 41.6 to 45.6. Two doses within are confirmed; else what both allow is left, or the prints alone.
    The gel dose 41 less and plus 3 % is 39.8 to 42.2; the gel dose 36 plus 3 % is 37.1."""
    found = Estimate(43.6, 41.6, 45.6)
    for liquid, solid, low, high, by in (
        (42.0, 44.0, 42.0, 44.0, "job"),
        (40.5, 41.5, 41.6, 42.23, "both"),
        (35.5, 36.5, 41.6, 45.6, "prints"),
        (0.0, 50.0, 41.6, 45.6, "prints"),
    ):
        allowed = with_job(found, Stated(liquid, solid, 3.0))
        assert (allowed.low, allowed.high, allowed.by) == (pytest.approx(low), pytest.approx(high), by)


def test_values_for_a_resin_tell_the_interval_once():
    """41.6 to 45.6 rules out a job of 35 to 36: two doses as far apart as there, and what reaches the farther end in
    percent. A job of 30 to 40 is sharper by the prints: their ends, known to 2 %, which lamps keep. A job that knows
    better stays as it is."""
    found = Estimate(math.sqrt(41.6 * 45.6), 41.6, 45.6)
    values = resin_values(found, Stated(35.0, 36.0, 3.0))
    assert values is not None
    low, high, percent = values
    assert high / low == pytest.approx(36 / 35)
    assert (low + high) / 2 == pytest.approx(found.value)
    assert percent == pytest.approx(100 * (45.6 / found.value - 1))
    assert resin_values(found, Stated(30.0, 40.0, 3.0)) == (41.6, 45.6, 2.0)
    assert resin_values(found, Stated(43.0, 44.0, 2.0)) is None
    values = resin_values(found, Stated(43.0, 44.0, 10.0))  # the prints know better than 10 %
    assert values is not None
    low, high, percent = values
    assert (low, high) == (pytest.approx(43.0), pytest.approx(44.0))
    assert percent == pytest.approx(100 * (45.6 / 43.5 - 1))
    values = resin_values(found, Stated(40.5, 41.5, 3.0))  # they reach an end of its 39.8 to 42.2, and not its 41
    assert values is not None
    assert values[0] * (1 - values[2] / 100) < 41.6 * 1.01
    assert values[1] * (1 + values[2] / 100) > 45.6


def test_prints_that_contradict_each_other_are_named():
    vials = [Vial(12.0, (CameOut("nothing"),)), Vial(10.0, (CameOut("holes closed"),))]
    found = threshold_from(vials, FLAT)
    assert "'12 s: nothing' asks for more than 62.4, '10 s: holes closed' for less than 38" in found.against
    assert (found.low, found.high) == (38.0, pytest.approx(62.4))
    assert contradicting(vials)


def test_a_print_at_odds_with_itself():
    """Too thin by 0.2 mm at 10 s: about 50; holes closed: below 38. Right: 60 / 1.1 at most to 20, 38 fits as well."""
    thin, closed = CameOut("thin", 0.2, 0.01), CameOut("holes closed")
    assert at_odds(Vial(10.0, (thin, closed)), None)
    assert not at_odds(Vial(10.0, (thin,)), FLAT)
    assert not at_odds(Vial(10.0, (CameOut("all solid"), closed)), FLAT)
    right = CameOut("right")
    for most_out, odd in ((38.0, False), (10.0, True)):  # a right print lies between 0.9 * 20 and 1.1 * 60 at most
        doses = replace(FLAT, most_out=most_out)
        assert at_odds(Vial(10.0, (right, closed)), doses) == odd


def test_prints_that_tell_nothing_are_not_counted():
    said = [CameOut("nothing"), CameOut("mirrored"), CameOut("liquid centre"), CameOut("right")]
    assert telling([Vial(10.0, (one,)) for one in said], FLAT) == 2


def test_a_liquid_centre_counts_until_a_longer_exposure_had_a_solid_one():
    liquid, right = Vial(10.0, (CameOut("liquid centre"),)), (CameOut("right"),)
    assert centre_liquid(liquid, [liquid, Vial(9.0, right), Vial(11.0, (CameOut("mirrored"),))])
    assert not centre_liquid(liquid, [liquid, Vial(11.0, right)])
    assert not centre_liquid(Vial(10.0, right), [liquid])


def test_an_interval_rules_out_what_lies_outside_it():
    found = Estimate(0.476, 0.285, 0.796)
    assert [found.rules_out(value) for value in (0.2, 0.284, 0.4, 0.9)] == [True, False, False, True]
    assert not Estimate(math.nan, 0.0, math.inf, "none agrees").rules_out(0.2)


def test_an_open_interval_has_no_value_and_is_no_resin():
    found = threshold_from([Vial(10.0, (CameOut("nothing"),))], FLAT)
    assert math.isnan(found.value)
    assert not found.close
    assert found.text("mJ/cm3") == "above 52 mJ/cm3"


@pytest.mark.parametrize("other", ["mirrored", "doubled edges"])
def test_a_print_of_other_light_tells_nothing(other):
    """Axis or sense were not the job's: the doses predicted are not those of this print."""
    assert Vial(10.0, (CameOut("thin"), CameOut(other))).bound(FLAT) == Bound()
    assert Vial(10.0, (CameOut("thin"), CameOut("upside down"))).bound(FLAT) == Bound(low=45.0)


def test_beside_closed_holes_right_is_right_elsewhere():
    """The window, 38 to 45, is for a print right everywhere; its outer size alone allows more."""
    alone = Vial(10.0, (CameOut("right"),)).bound(FLAT)
    beside = Vial(10.0, (CameOut("right"), CameOut("holes closed"))).bound(FLAT)
    assert (alone.low, alone.high) == (pytest.approx(38.0 / 1.02), pytest.approx(45.0 * 1.02))
    assert beside.low < beside.high == 38.0


def test_prints_that_miss_each_other_by_what_lamps_keep_do_not_contradict():
    """Above 45 at 10 s, below 1.17 * 38 = 44.5 at 11.7 s: 1.2 % apart. At 11 s, 41.8, they are 7 % apart."""
    thin = Vial(10.0, (CameOut("thin"),))
    found = threshold_from([thin, Vial(11.7, (CameOut("fat"),))], FLAT)
    assert not found.against
    assert (found.low, found.high) == (pytest.approx(44.46 / 1.02), pytest.approx(45.0 * 1.02))
    assert threshold_from([thin, Vial(11.0, (CameOut("fat"),))], FLAT).against


def test_a_measured_size_that_other_prints_rule_out_is_not_clipped_to_their_end():
    """Fat by 0.2 mm reads 40 at 10 s; too thin at 11 s asks for more than 49.5 there is no such threshold, at 9 s for
    more than 40.5: then the middle of what is left is the value."""
    fat = Vial(10.0, (CameOut("fat", 0.2, 0.01),))
    found = threshold_from([fat, Vial(9.0, (CameOut("thin"),))], replace(FLAT, by_window=True, most_out=42.0))
    assert not found.measured
    assert found.value == pytest.approx(math.sqrt(found.low * found.high))
