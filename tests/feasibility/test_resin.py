"""What the check says of the resin: how far light reaches into it, and the doses between liquid and solid."""

import dataclasses
import json
import math
import re

import pytest
import torch
from good_case import GOOD, changed, only, verdict

from lightlathe.feasibility import verdict_on
from lightlathe.feasibility.light import exposure_range_s
from lightlathe.resins import Inhibited


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (0.8, "If 0.8 is per cm, absorption_per_mm = 0.08."),
        (12.5, "penetration depth in mm, absorption_per_mm = 0.08."),
    ],
)
def test_an_absorption_that_prints_in_another_unit_is_asked_about(given, said):
    reason = only(verdict(absorption_per_mm=given), "absorption")
    assert reason.level == "cannot work"
    assert said in reason.text
    assert "per cm" not in only(verdict(absorption_per_mm=33.0), "absorption").text  # as dark in per cm


@pytest.mark.parametrize(("per_cm", "level"), [(2.0, "cannot work"), (1.0, "marginal")])
def test_per_cm_is_asked_about_whatever_the_optics(per_cm, level):
    """mu R = 16 is hopeless in any light; 8 is not proven to be, and still no likely resin."""
    reason = only(verdict_on(dataclasses.replace(changed(absorption_per_mm=per_cm), straight_rays=False)), "absorption")
    assert reason.level == level
    assert f"If {per_cm:g} is per cm, absorption_per_mm = {per_cm / 10:g}." in reason.text
    assert "a penetration depth of 4 mm or more" in reason.change
    paler = dataclasses.replace(changed(absorption_per_mm=0.25), straight_rays=False)
    assert only(verdict_on(paler), "absorption").level == "marginal"  # mu R = 2 itself
    assert "per cm" not in only(verdict_on(paler), "absorption").text


@pytest.mark.parametrize("depth_mm", [0.04, 0.11, 0.2])
def test_a_layer_printing_resin_leaves_a_ring(depth_mm):
    """Common practice, no source: such a resin in a 16 mm vial prints a ring at the wall, whatever the pictures."""
    found = verdict(absorption_per_mm=1 / depth_mm)
    reason = only(found, "absorption")
    assert (found.level, found.exit_code) == ("cannot work", 4)
    assert "ring" in reason.text
    assert f"{0.576 * depth_mm:.1g} mm thick" in reason.text  # 1/e of the wall's dose at 0.576 / mu
    assert "above 3.8 mm" in reason.text or "above 3.9 mm" in reason.text  # 8 mm / 2.08, see test_limits
    assert "penetration depth" in reason.change


def test_the_same_resin_without_its_absorber_may_work():
    """Common practice, no source: 3.9 mm in a 16 mm vial is at least marginal."""
    assert verdict(absorption_per_mm=1 / 3.9).level in ("marginal", "will work")


def test_a_resin_without_a_threshold_cannot_work():
    found = verdict(liquid_below_mj_cm3=0.0)
    assert found.level == "cannot work"
    assert "everything that light touches turns solid" in only(found, "threshold").text


def test_the_part_itself_counts_where_it_is_known():
    """A thin ring about the axis is easier than a solid disc of its radius: 2.3 mu R excludes only the disc."""
    n = 160
    x = (torch.arange(n, dtype=torch.float64) - (n - 1) / 2) * 0.1
    radius = torch.hypot(x[:, None], x[None, :])
    ring = ((radius < 4) & (radius > 3.4))[:, :, None]
    a = {"absorption_per_mm": 2.3 / 8}
    assert only(verdict(**a), "absorption").level == "cannot work"
    assert only(verdict(**a, slices=ring), "absorption").level == "marginal"
    assert only(verdict(**a, slices=(radius < 4)[:, :, None]), "absorption").level == "cannot work"


def test_the_doses_are_of_an_exposure_where_they_change_with_it():
    resin = Inhibited(absorption_per_mm=0.08, wavelength_nm=405.0, planned_exposure_s=30.0)
    found = verdict_on(dataclasses.replace(GOOD, resin=resin))
    assert "mJ/cm3 where the dose comes over 30 s" in only(found, "threshold").text
    assert "where the dose comes" not in only(verdict(), "threshold").text


def test_a_ratio_of_doses_is_never_rounded_to_one():
    close = only(verdict(liquid_below_mj_cm3=37.9), "threshold").text
    assert "must get 1.0026 times the dose" in close


def test_a_resin_that_lets_no_light_through_is_a_verdict():
    """60 per mm in a vial of 15 mm radius: exp(-900) is 0 in float64. Still a ring, and plain JSON."""
    found = verdict(absorption_per_mm=60.0, inner_diameter_mm=30.0, radius_mm=2.5)
    assert found.level == "cannot work"
    assert "ring" in only(found, "absorption").text
    dark = changed(absorption_per_mm=60.0, inner_diameter_mm=30.0, radius_mm=2.5)
    assert exposure_range_s(dark) == (math.inf, math.inf)
    assert json.loads(json.dumps(found.as_json(), allow_nan=False))["verdict"] == "cannot work"
    limited = verdict(absorption_per_mm=60.0, inner_diameter_mm=30.0, radius_mm=2.5, max_exposure_s=60.0)
    assert only(limited, "light").level == "cannot work"
    assert "inf" not in limited.text()


@pytest.mark.parametrize("a", [0.1, 0.5, 1, 2, 2.5, 3, 3.5, 4, 5, 6, 10, 50, 500])
def test_no_sentence_holds_an_undefined_number(a):
    """Between mu R = 3 and 5 the axis still gets more than 1 % of the wall's dose: light does not die on the way."""
    found = verdict(absorption_per_mm=a / 8)
    assert "nan" not in found.text()
    assert ("light dies" in only(found, "absorption").text) == (a > 5)


@pytest.mark.parametrize("absorption", [0.26, 0.28, 0.3])
def test_what_a_dark_resin_is_told_to_change_lifts_the_watch(absorption):
    case = changed(absorption_per_mm=absorption, radius_mm=3.0)
    found = only(verdict_on(case), "absorption")
    assert found.level != "will work"
    depth, share, vial = re.search(
        r"depth of ([\d.]+) mm or more, that is ([\d.]+) %.*Or a vial of ([\d.]+) mm", found.change
    ).groups()
    weaker = changed(case, absorption_per_mm=absorption * float(share) / 100)
    paler = changed(case, absorption_per_mm=1 / float(depth))
    narrower = changed(case, inner_diameter_mm=float(vial))
    for other in (paler, weaker, narrower):
        assert only(verdict_on(other), "absorption").level == "will work"


def test_no_narrower_vial_is_named_where_none_helps():
    assert "Or a vial" not in only(verdict(absorption_per_mm=0.6, radius_mm=4.5), "absorption").change


def test_bent_rays_are_given_no_closed_form_limit():
    """The limits hold for straight rays: a dark resin is no stop where a beam bends them, and the text says why."""
    dark = changed(absorption_per_mm=0.5)
    assert only(verdict_on(dark), "absorption").level == "cannot work"
    bent = only(verdict_on(dataclasses.replace(dark, straight_rays=False)), "absorption")
    assert bent.level == "marginal"
    assert "the quick bound on the process window does not hold: the design looks for one that does" in bent.text
    none = dataclasses.replace(dark, straight_rays=False, design=dataclasses.replace(dark.design, bound_iterations=0))
    assert "the design looks" not in only(verdict_on(none), "absorption").text
    assert "inf" not in only(verdict_on(dataclasses.replace(dark, straight_rays=False)), "threshold").text
