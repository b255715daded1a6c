"""Views of many angles in shares, for a kernel that takes only so many at once: doses add up."""

from dataclasses import replace
from functools import lru_cache


@lru_cache(maxsize=16)
def shares(views, most: int) -> tuple[tuple[slice, object], ...]:
    """((which views, those views), ...) of at most `most` angles each.

    Every nth view, so that a share of an even turn is one itself; with an even number of them, where that is to be
    had, so that opposite views stay together.
    """
    least = -(-views.angles // most)
    count = next((n for n in range(least, 2 * least + 1) if views.angles % (2 * n) == 0), least)
    taken = [slice(k, None, count) for k in range(count)]
    return tuple((which, replace(views, angle_rad=views.angle_rad[which])) for which in taken)
