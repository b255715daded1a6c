"""Numbers in sentences."""

import math

import numpy as np
import pytest

from lightlathe.support.words import amount, an, count, duration, large, percent, rounded_down, rounded_up, size


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (970.3, 2, "970"),
        (1299.0, 2, "1300"),
        (0.01312, 2, "0.013"),
        (9.96, 2, "10"),
        (99.96, 3, "100"),
        (0.5, 3, "0.5"),
        (-12.345, 3, "-12.3"),
        (0.0, 2, "0"),
        (1e-7, 2, "0.0000001"),
        (3e20, 2, "3e+20"),
        (math.nan, 2, "undefined"),
        (math.inf, 2, "infinite"),
    ],
)
def test_amounts_are_written_out(value, digits, text):
    """As many digits as `g` gives, without its exponents."""
    assert amount(value, digits) == text
    if 1e-9 < abs(value) < 1e15:
        assert float(text) == float(f"{value:.{digits}g}")


def test_one_is_not_many():
    assert [count(n, "image") for n in (0, 1, 2)] == ["0 images", "1 image", "2 images"]
    assert [count(x, "pixel") for x in (0.836, 1.0000001, 1.2)] == ["0.84 pixels", "1 pixel", "1.2 pixels"]
    assert count(np.int64(12345), "triangle") == "12345 triangles"
    assert count(2, "body", "bodies") == "2 bodies"
    assert (an("absorption"), an("penetration depth")) == ("an absorption", "a penetration depth")


def test_so_much_or_more_is_never_less():
    said = [rounded_up(x) for x in (16.43, 16.0, 16.0000000001, 0.0191, 9.91, 1290.0, 0.0)]
    assert said == ["17", "16", "16", "0.02", "10", "1300", "0"]
    assert rounded_up(1.041, 3) == "1.05"
    said = [rounded_down(x) for x in (16.43, 16.0, 15.9999999999, 0.0656, 1.96, 1290.0, 0.0)]
    assert said == ["16", "16", "16", "0.065", "1.9", "1200", "0"]


def test_large_numbers_and_memory_come_in_a_size_of_their_own():
    assert [large(n) for n in (9600, 999_000, 1.34e7, 1e11)] == ["9600", "1000000", "13 million", "100 billion"]
    said = [size(b) for b in (512, 4.2e6, 4.1e8, 2.4e10, 1.3e13)]
    assert said == ["510 bytes", "4.2 MB", "0.41 GB", "24 GB", "13 TB"]


def test_shares_are_never_none_or_all_that_are_not():
    said = [percent(s) for s in (0.0, 1e-6, 0.0123, 0.996, 0.999999, 1.0, 1.875, math.nan)]
    assert said == [
        "0 %",
        "less than 0.01 %",
        "1.2 %",
        "99.6 %",
        "more than 99.99 %",
        "100 %",
        "187.5 %",
        "an unknown share",
    ]


def test_times_come_in_a_unit_of_their_size():
    said = [duration(s) for s in (0.0141, 34.1, 600.0, 7200.0, 176256.0, 3e9, 1e11)]
    assert said == ["0.0141 s", "34.1 s", "10 min", "2 h", "2.04 days", "95.1 years", "more than 1000 years"]
