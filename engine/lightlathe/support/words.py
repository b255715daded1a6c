"""Numbers in sentences: no exponents, correct plurals, times in readable units."""

import math
from collections.abc import Sequence
from numbers import Integral

WRITTEN_OUT = (1e-9, 1e15)
YEAR_S = 365.25 * 86400.0
MOST_YEARS = 1000
UNITS = (  # name, length in s, up to how many s
    ("s", 1.0, 120.0), ("min", 60.0, 7200.0), ("h", 3600.0, 48 * 3600.0), ("days", 86400.0, 2 * YEAR_S),
    ("years", YEAR_S, MOST_YEARS * YEAR_S),
)  # fmt: skip
SIZES = (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3))
LARGE = (("billion", 1e9), ("million", 1e6))


def count(number: float, noun: str, plural: str = "", digits: int = 2) -> str:
    """'1 image', '2 images', '0.84 images' to two digits; `plural` where it is not the noun with an s."""
    text = str(number) if isinstance(number, Integral) else amount(number, digits)
    return f"{text} {noun if text == '1' else plural or noun + 's'}"


def amount(value: float, digits: int = 2) -> str:
    """A number to so many significant digits, written out: 970, 0.013, 1300; beyond WRITTEN_OUT with its exponent."""
    if math.isnan(value):
        return "undefined"
    if math.isinf(value):
        return "infinite" if value > 0 else "minus infinite"
    if value == 0:
        return "0"
    if not WRITTEN_OUT[0] <= abs(value) < WRITTEN_OUT[1]:
        return f"{value:.{digits}g}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)  # may carry: 9.96 to two digits is 10
    places = digits - 1 - math.floor(math.log10(abs(rounded)))
    text = f"{rounded:.{max(0, places)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def rounded_up(value: float, digits: int = 2) -> str:
    """The same, rounded up where the value is above 0: for 'so much or more'. A rounding error does not count."""
    return _rounded(value, digits, 1)


def rounded_down(value: float, digits: int = 2) -> str:
    """The same, rounded down: for 'so much or less'."""
    return _rounded(value, digits, -1)


def _rounded(value: float, digits: int, way: int) -> str:
    text = amount(value, digits)
    if not WRITTEN_OUT[0] <= value < WRITTEN_OUT[1] or way * (float(text) - value) >= -1e-9 * value:
        return text
    return amount(float(text) + way * 10.0 ** (math.floor(math.log10(value)) - digits + 1), digits)


def large(number: float) -> str:
    """A count that may be large, to two digits: '9600', '13 million', '100 billion'."""
    for word, size in LARGE:
        if number >= size:
            return f"{amount(number / size)} {word}"
    return amount(number)


def size(bytes_: float) -> str:
    """Memory to two digits: '4.2 MB', '0.41 GB', '13 TB'; GB from a tenth of one on."""
    for unit, length in SIZES:
        if bytes_ >= (0.1 * length if unit == "GB" else length):
            return f"{amount(bytes_ / length)} {unit}"
    return f"{amount(bytes_)} bytes"


def percent(share: float) -> str:
    """A share in percent to two digits; 0 and 100 only where it is exactly that."""
    value = 100 * share
    if math.isnan(value):
        return "an unknown share"
    if 0 < value < 0.01:
        return "less than 0.01 %"
    if 99.99 < value < 100:
        return "more than 99.99 %"
    return f"{amount(value, 4 if abs(value) >= 99 else 2)} %"


def duration(seconds: float, digits: int = 3) -> str:
    """A time in s, min, h, days or years."""
    if math.isnan(seconds):
        return "an unknown time"
    for unit, length, until in UNITS:
        if seconds < until:
            return f"{amount(seconds / length, digits)} {unit}"
    return f"more than {MOST_YEARS} years"


def any_of(things: Sequence[str]) -> str:
    """'a, b or c'."""
    return " or ".join(filter(None, [", ".join(things[:-1]), *things[-1:]]))


def an(noun: str) -> str:
    """The noun with its indefinite article: 'an absorption', 'a penetration depth'."""
    return f"{'an' if noun[:1].lower() in 'aeio' else 'a'} {noun}"
