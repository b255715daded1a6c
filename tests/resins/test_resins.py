"""Resins: thresholds, the step between them, induction by oxygen. Sources stand beside each check."""

import math

import pytest
import torch

from lightlathe.errors import JobError
from lightlathe.resins import RESINS, Inhibited, Threshold

MEMBERS = {
    "threshold": Threshold(0.1, 60.0, 100.0),
    "inhibited": Inhibited(0.1, wavelength_nm=405.0, planned_exposure_s=60.0),
}


def test_every_member_is_checked_here():
    assert set(MEMBERS) == set(RESINS)


@pytest.mark.parametrize("name", RESINS)
def test_what_every_resin_keeps(name):
    """Gel dose in the middle; solid from there on."""
    resin = MEMBERS[name]
    low, gel, high = resin.liquid_below_mj_cm3, resin.gel_mj_cm3, resin.solid_above_mj_cm3
    assert 0 < low < gel < high
    assert gel == pytest.approx((low + high) / 2)
    dose = torch.linspace(0, 2 * high, 501, dtype=torch.float64)
    assert bool((resin.solid(dose) == (dose > gel)).all())
    assert type(resin.at(30.0)) is RESINS[name]


def test_one_sharp_dose_is_allowed():
    resin = Threshold(0.1, 80.0, 80.0)
    assert resin.solid(torch.tensor([79.9, 80.1])).tolist() == [False, True]


def test_a_resin_without_a_threshold_turns_everything_solid_that_light_touches():
    resin = Threshold(0.1, 0.0, 80.0)
    assert resin.solid(torch.tensor([0.0, 1e-6, 40.0])).tolist() == [False, True, True]


@pytest.mark.parametrize(
    "values",
    [
        (0.0, 60, 100),
        (-1, 60, 100),
        (math.nan, 60, 100),
        (0.1, -1, 100),
        (0.1, 60, 59),
        (0.1, 0, 0),
        (0.1, 1, math.inf),
    ],
)
def test_values_no_resin_can_have(values):
    with pytest.raises(JobError, match="expected"):
        Threshold(*values)


def test_a_refractive_index_below_one_is_named():
    with pytest.raises(JobError, match=r"refractive_index is 0\.9"):
        Threshold(0.1, 60, 100, refractive_index=0.9)


def test_swapped_doses_are_suspected():
    with pytest.raises(JobError, match="swapped"):
        Threshold(0.1, 100, 60)


def test_induction_dose():
    """K2, energy of a mole of photons at 405 nm 295.37 kJ: 1 mol/m3 of oxygen takes 295.4 mJ/cm2 at 0.1/mm.

    mJ/cm2 times 1/cm is mJ/cm3. Source: N_A h c / lambda, SI constants; the figure from the project's reference values.
    """
    resin = Inhibited(0.1, wavelength_nm=405.0, planned_exposure_s=30.0)
    per_cm, induction = 10 * resin.absorption_per_mm, resin.dose_for(0.0)  # all of it for the oxygen
    assert induction / per_cm == pytest.approx(295.4, abs=0.05)  # the figure's last digit
    # at 10 mW/cm2 radicals form at 0.03386 mol/m3/s and the induction takes 29.5 s
    rate_mj_cm3_s = 10 * per_cm
    assert rate_mj_cm3_s / resin.mj_cm3_per_mol_m3 == pytest.approx(0.03386, abs=5e-6)
    assert induction / rate_mj_cm3_s == pytest.approx(29.5, abs=0.05)


def test_conversion_after_induction_against_an_independent_integration():
    """K3: the three rate equations, integrated by scipy without the steady-state shortcut, reach the stated conversion.

    R_i = 0.01, oxygen 1: closed form 10 % at 102.99 s, integrated 102.98 s (reference values, section 4).
    """
    from scipy.integrate import solve_ivp

    rate, oxygen, kp, kt, ko = 0.01, 1.0, 25.0, 2520.0, 5e5

    def change(_, y):
        o, m = max(y[0], 0.0), y[1]
        r = (-ko * o + math.sqrt((ko * o) ** 2 + 8 * kt * rate)) / (4 * kt)  # radicals in balance
        return [-ko * o * r, -kp * m * r]

    done = solve_ivp(change, (0, 120), [oxygen, 1.0], method="LSODA", rtol=1e-8, atol=1e-10, dense_output=True)
    resin = Inhibited(0.1, wavelength_nm=405.0, planned_exposure_s=102.99, propagation_m3_mol_s=kp)
    seconds = resin.dose_for(0.10) / (rate * resin.mj_cm3_per_mol_m3)
    assert seconds == pytest.approx(102.99, abs=0.01)
    reached = 1 - done.sol(seconds)[1]
    assert reached == pytest.approx(
        0.10, abs=1e-3
    )  # the shortcut's own error: 0.01 s of 0.035/s, and radicals starting


def test_stronger_light_needs_more_dose():
    """Square-root termination: four times the rate, twice the speed (Odian, from memory), so the dose needed doubles.

    Exactly so without oxygen; the induction dose itself does not change.
    """
    dry = Inhibited(0.1, wavelength_nm=405.0, planned_exposure_s=80.0, oxygen_mol_m3=0.0)
    assert dry.at(20.0).gel_mj_cm3 == pytest.approx(4 * dry.gel_mj_cm3)  # B^2 / (a^2 t): a quarter of the time, 4 times
    airy = MEMBERS["inhibited"]
    assert airy.at(20.0).gel_mj_cm3 > airy.gel_mj_cm3 > airy.at(200.0).gel_mj_cm3 > airy.dose_for(0.0)


@pytest.mark.parametrize(
    "change",
    [
        {"wavelength_nm": 0.0},
        {"planned_exposure_s": -1.0},
        {"oxygen_mol_m3": -0.1},
        {"initiator_share": 0.0},
        {"liquid_below_conversion": 0.3, "solid_above_conversion": 0.2},
    ],
)
def test_inhibited_names_what_is_wrong(change):
    with pytest.raises(JobError, match=next(iter(change))):
        Inhibited(**({"absorption_per_mm": 0.1, "wavelength_nm": 405.0, "planned_exposure_s": 60.0} | change))
