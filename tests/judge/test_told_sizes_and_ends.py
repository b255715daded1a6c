"""What prints may not say: sizes of holes read as solid, ends beyond what is known, a resin better known for nothing.

By hand, from the definitions in judge/evidence.py, threshold.py and next_exposure.py.
"""

import math

import numpy as np
import pytest
import torch

from lightlathe.errors import JobError
from lightlathe.judge.absorption import between
from lightlathe.judge.evidence import Bound, Doses, core_bound
from lightlathe.judge.next_exposure import beside, onto_threshold, shortest_safe
from lightlathe.judge.plausible import require_plausible
from lightlathe.judge.seen import CameOut, read_came_out
from lightlathe.judge.threshold import Estimate, Stated, resin_values, threshold_from, with_job
from lightlathe.judge.vials import Vial, contradicting
from lightlathe.quantities import LIQUID, SOLID, Grid, Part

PLACES, FALL = (-1.0, -0.1, 0.1, 1.0), (55.0, 50.0, 40.0, 20.0)
DOSES = Doses(24.0, 0.1, PLACES, FALL, FALL, FALL, 52.0, 50.0, 33.4, 33.6, 40.8, 44.5)  # a window of 33.6 to 40.8
GUESS = Stated(32.0, 40.0, 10.0)


def said(exposure_s, *kinds):
    return Vial(exposure_s, tuple(CameOut(kind) for kind in kinds))


@pytest.mark.parametrize(
    ("words", "kind", "by_mm", "named"),
    [
        ("2.8 mm instead of 3 mm", "thin", 0.2, ""),
        ("hole 2.8 mm instead of 3 mm", "fat", 0.2, "hole"),
        ("the bore is 3.2 mm instead of 3 mm", "thin", 0.2, "hole"),
        ("wall 0.9 mm instead of 1 mm", "thin", 0.1, "solid"),
        ("its inner diameter is 2.8 mm instead of 3 mm", "fat", 0.2, "hole"),
        ("outer diameter 6.1 mm instead of 6 mm", "fat", 0.1, "solid"),
    ],
)
def test_a_hole_that_is_too_small_is_too_fat_a_print(words, kind, by_mm, named):
    seen = read_came_out(words)
    assert (seen.kind, seen.named) == (kind, named)
    assert seen.by_mm == pytest.approx(by_mm)
    assert seen.by_mm == pytest.approx(
        {"2.8": 0.2, "3.2": 0.2, "0.9": 0.1, "6.1": 0.1}[words[words.index(".") - 1 :][:3]]
    )


def test_a_size_that_may_be_a_holes_is_asked_about():
    """A tube of 6 mm with a bore of 3 mm; without the bore no size can be a hole's."""
    across = torch.arange(-30, 31) * 0.1
    radius = torch.sqrt(across[:, None] ** 2 + across**2)
    for bore, asked in ((1.5, True), (0.0, False)):
        solid = ((radius <= 3) & (radius >= bore))[:, :, None].expand(-1, -1, 40)
        codes = torch.where(solid, SOLID, LIQUID).to(torch.uint8)
        part = Part(Grid((61, 61, 40), 0.1), solid.float(), codes)
        for words in ("5.9 mm instead of 6 mm", "wall 2.8 mm instead of 3 mm", "hole 2.8 mm instead of 3 mm"):
            require_plausible(Vial(24.0, (read_came_out(words),)), part, DOSES)
        vial = Vial(24.0, (read_came_out("2.8 mm instead of 3 mm"),))
        if asked:
            with pytest.raises(JobError, match="is that a hole or solid"):
                require_plausible(vial, part, DOSES)
        else:
            require_plausible(vial, part, DOSES)


def test_a_right_print_beside_a_shorter_one_with_too_much_contradicts_it():
    """Whatever the resin absorbs: every dose grows with the exposure. Less than 2 % apart they may be as they are."""
    assert "contradict" in contradicting([said(48.0, "holes closed"), said(60.0, "right")])
    assert "contradict" in contradicting([said(44.0, "thin"), said(40.0, "right")])
    assert contradicting([said(44.0, "thin"), said(43.5, "right"), said(48.0, "fat")]) == ""


def test_after_a_solid_block_the_next_print_is_one_that_can_be():
    """1.5 times shorter, 16 s, leaves less than 29.7 of any threshold allowed, 32 to 33.6: nothing would print."""
    for prints in ([said(24.0, "all solid")], [said(24.0, "right"), said(30.0, "all solid")]):
        found = threshold_from(prints, DOSES)
        allowed = with_job(found, GUESS)
        advice = onto_threshold(prints, found, allowed, DOSES, 36.0)
        assert advice is not None
        assert advice[0] >= shortest_safe(allowed, DOSES) - 1e-9 or prints[0].right
        assert advice[0] < prints[-1].exposure_s
        assert advice[0] * 40.8 / 24.0 >= allowed.low  # the part's weakest place turns solid for some threshold


def test_what_is_safe_ends_at_prints_that_were_not():
    prints = [said(44.0, "thin"), said(48.0, "holes closed"), said(46.0, "right")]
    assert beside((40.1, 50.0), prints) == (44.0, 48.0)
    assert beside((40.1, 43.0), prints) is None
    assert beside(None, prints) is None


def test_prints_that_tell_nothing_new_leave_the_job_as_it_is():
    assert resin_values(Estimate(37.3, 31.0, 41.7, measured=True), GUESS) is None


def test_a_print_that_is_too_thin_by_nobody_knows_what_has_no_core_for_sure():
    assert core_bound(CameOut("thin"), DOSES, 24.0) == Bound()
    assert core_bound(CameOut("thin", 0.1), DOSES, 24.0) == Bound(high=52.0)


def test_bounds_of_places_that_no_light_reaches_are_none():
    tried, even = np.array([0.1, 0.2, 0.4, 0.8]), np.array([0.15, 0.3])
    assert between(tried, [20.0, 19.0, 1e-12, 18.0], even, 0.0).tolist() == [0.0, 0.0]
    assert between(tried, [20.0, math.inf, 19.0, 18.0], even, math.inf).tolist() == [math.inf] * 2
    assert threshold_from([said(24.0, "right")], DOSES).high == pytest.approx(40.8 * 1.02)
