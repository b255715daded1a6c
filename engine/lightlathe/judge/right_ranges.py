"""Which factors on an exposure print right, from the doses that it leaves and those that the resin needs."""

import math


def right_ranges(
    out: float, inside: float, liquid_below: float, solid_above: float
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    """(lowest, highest) factors on an exposure that print right: whatever the threshold between the resin's two doses,
    and for its gel dose; None where no factor does.

    out, inside   mJ/cm3 of that exposure: most outside the part, least in it
    """
    if not inside > out:
        return None, None
    gel = (liquid_below + solid_above) / 2
    high = liquid_below / out if out > 0 else (math.inf if liquid_below > 0 else -math.inf)
    sure = (solid_above / inside, high) if solid_above / inside <= high else None
    right = (gel / inside, gel / out if out > 0 else math.inf) if liquid_below > 0 or out == 0 else None
    return sure, right


def between(low: float, high: float, aim: float) -> float:
    """The point `aim` of the way from low to high on a logarithmic scale; twice the lower if there is no upper end."""
    return low ** (1 - aim) * high**aim if math.isfinite(high) else 2 * low
