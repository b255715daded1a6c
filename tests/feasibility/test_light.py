"""What the check says of the light: how long it takes, at which lamp, in how many levels."""

import dataclasses
import re

import pytest
from good_case import GOOD, changed, only, verdict

from lightlathe.feasibility import verdict_on
from lightlathe.feasibility.light import exposure_range_s, likely_s
from lightlathe.resins import Inhibited


def test_the_shortest_exposure_cannot_be_beaten():
    """Full light on all pixels all the time: the dose under even light at the part's rim, by hand at mu R = 0.64."""
    short, long = exposure_range_s(GOOD)
    per_second = 10 * 0.08 * 20.0 * 0.564091  # of the light arrives half-way to the wall, integrated by scipy
    assert short == pytest.approx(36.0 / per_second, rel=2e-6)  # the gel dose: a design may settle for that
    assert long > short
    wide = exposure_range_s(changed(liquid_below_mj_cm3=20.0, solid_above_mj_cm3=52.0))
    assert wide[0] == pytest.approx(short)  # the same gel dose
    assert wide[1] == pytest.approx(long * 52 / 38)  # and the dose that surely stays


def test_the_time_allowed_is_the_one_that_a_design_has():
    """Without max_exposure_s a design gives up after a day; a limit that it may exceed is named, with what helps."""
    weak = verdict(irradiance_mw_cm2=5e-4)  # 44 h at least
    light = only(weak, "light")
    assert (weak.level, light.level, light.limit) == ("cannot work", "cannot work", 86400.0)
    assert "even the shortest takes longer than the 24 h allowed where no max_exposure_s is set" in light.text
    mended = 5e-4 * float(re.search(r"irradiance, ([\d.]+) times", light.change)[1])
    assert exposure_range_s(changed(irradiance_mw_cm2=mended))[1] <= 86400
    assert only(verdict(irradiance_mw_cm2=5e-4, max_exposure_s=1e8), "light").level == "marginal"
    tight = only(verdict(max_exposure_s=30.0), "light")
    assert (tight.level, tight.limit) == ("marginal", 24.0)  # two whole turns
    assert "a design may take longer than the 24 s that max_exposure_s allows" in tight.text
    times = float(tight.change.split()[0])
    seconds = float(re.search(r"max_exposure_s = ([\d.]+) in", tight.change)[1])
    assert only(verdict(max_exposure_s=30.0, irradiance_mw_cm2=20 * times), "light").level == "will work"
    assert only(verdict(max_exposure_s=seconds), "light").level == "will work"


def test_a_lamp_too_strong_is_dimmed_to_the_middle():
    """As the advice says, one turn at full level is what a design is likely to need, neither the least nor the most."""
    strong = only(verdict(irradiance_mw_cm2=1000.0), "light")
    dimmer = changed(irradiance_mw_cm2=10 * float(strong.change.split()[3]))
    assert likely_s(dimmer) == pytest.approx(12.0, rel=0.05)
    assert only(verdict_on(dimmer), "light").level == "will work"
    slow = changed(irradiance_mw_cm2=0.02)
    brighter = 0.02 * float(only(verdict_on(slow), "light").change.split()[0])
    assert likely_s(changed(irradiance_mw_cm2=brighter)) == pytest.approx(60.0, rel=0.05)


def test_few_bits_are_said_with_their_levels():
    one = only(verdict(bits=1), "levels")
    assert (one.level, one.text.split(",")[0]) == ("marginal", "1 bit: a pixel has 2 levels")
    assert verdict(bits=3).of("levels") == []


def test_the_shortest_exposure_takes_the_doses_of_that_exposure():
    resin = Inhibited(absorption_per_mm=0.08, wavelength_nm=405.0, planned_exposure_s=30.0)
    shortest, longest = exposure_range_s(dataclasses.replace(GOOD, resin=resin))
    steady, _ = exposure_range_s(GOOD)
    rate = GOOD.resin.gel_mj_cm3 / steady  # mJ/cm3 a second
    assert shortest * rate == pytest.approx(resin.at(shortest).gel_mj_cm3, rel=1e-5)
    assert shortest > 30
    assert shortest * rate < 0.999 * resin.gel_mj_cm3  # which is that of 30 s
    assert longest > shortest


@pytest.mark.parametrize("allowed", [10.0, 12.0, 20.0])
def test_the_light_that_a_resin_held_back_by_oxygen_is_told_to_take_is_enough(allowed):
    """It needs more dose in less time, so the irradiance grows by more than the time falls."""
    resin = Inhibited(absorption_per_mm=0.08, wavelength_nm=405.0, planned_exposure_s=30.0)
    case = dataclasses.replace(changed(seconds_per_turn=1.0, max_exposure_s=allowed), resin=resin)
    found = only(verdict_on(case), "light")
    assert found.level != "will work"
    times = float(re.search(r"([\d.]+) times (the irradiance, or|to be on the safe side)", found.change)[1])
    lit = case.having(light={"irradiance_mw_cm2": case.light.irradiance_mw_cm2 * times})
    assert exposure_range_s(lit)[1] <= allowed < exposure_range_s(case)[1]


@pytest.mark.parametrize("keys", [{"viscosity_pa_s": 3.0}, {"viscosity_pa_s": 6.0, "max_exposure_s": 24.0}])
@pytest.mark.parametrize("irradiance", [4.0, 20.0, 60.0])
def test_light_or_a_turn_that_is_named_keeps_the_part_from_sinking(keys, irradiance):
    case = changed(irradiance_mw_cm2=irradiance, angles=60, **keys)
    found = only(verdict_on(case), "sinking")
    assert found.level == "marginal"
    turn = re.search(r"a turn of ([\d.]+) s", found.change)
    times = re.search(r"([\d.]+) times the irradiance", found.change)
    if turn or times:
        done = changed(case, irradiance_mw_cm2=irradiance * (float(times[1]) if times else 1.0))
        done = changed(done, seconds_per_turn=float(turn[1])) if turn else done
        assert only(verdict_on(done), "sinking").level == "will work"


def test_hours_that_a_design_usually_needs_are_no_ok():
    """A shortest exposure of minutes does not excuse a likely one of hours."""
    case = changed(absorption_per_mm=1.5)
    short, long = exposure_range_s(case)
    assert short < 600 < 3600 < long < 86400
    reason = only(verdict_on(case), "light")
    assert reason.level == "marginal"
    assert "very slow" in reason.text
    assert "paler" in reason.change
    weak = changed(absorption_per_mm=0.3, irradiance_mw_cm2=0.25)
    short, long = exposure_range_s(weak)
    assert short < 600 < 3600 < long
    times = float(only(verdict_on(weak), "light").change.split(" times")[0])
    assert exposure_range_s(changed(weak, irradiance_mw_cm2=0.25 * times))[1] <= 3600
