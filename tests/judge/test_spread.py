"""Uncertainty of the resin carried to the exposure: by hand and against random resins."""

import math
import random

import pytest

from lightlathe.errors import JobError
from lightlathe.judge import spread


def test_by_hand():
    # window 70..100 at 60 s; gel dose 80 known to 25 %: 60..100, three quarters of it within the window
    found = spread(60.0, [(70.0, 100.0)], 80.0, 25.0)
    assert found.right_share == pytest.approx(0.75)
    assert found.shortest_s == pytest.approx(60 * 60 / math.sqrt(7000))
    assert found.longest_s == pytest.approx(60 * 100 / math.sqrt(7000))
    assert "75 % of such resins" in found.text()
    assert "absorption" not in found.text()


def test_a_resin_known_exactly():
    assert spread(60.0, [(70.0, 100.0)], 80.0, 0.0).right_share == 1
    assert spread(60.0, [(70.0, 100.0)], 101.0, 0.0).right_share == 0


def test_against_random_resins():
    """The share is what a lottery of resins gives; 40,000 draws scatter by 0.0025."""
    rng = random.Random(4)
    windows = [(60.0, 95.0), (66.0, 90.0), (75.0, 88.0)]
    found = spread(60.0, windows, 78.0, 20.0)
    draws = 40_000
    hits = 0
    for _ in range(draws):
        at = rng.uniform(0, 2)  # an absorption within the interval of which three were tried
        one, share = min(int(at), 1), at - min(int(at), 1)
        out, inside = (a + (b - a) * share for a, b in zip(windows[one], windows[one + 1], strict=True))
        hits += out <= 78.0 * (1 + rng.uniform(-0.2, 0.2)) <= inside
    assert found.right_share == pytest.approx(hits / draws, abs=0.01)  # four times the scatter


def test_nothing_to_go_by_is_an_error():
    with pytest.raises(JobError, match="no window"):
        spread(60.0, [], 80.0, 10.0)
    with pytest.raises(JobError, match="120"):
        spread(60.0, [(1.0, 2.0)], 80.0, 120.0)
