"""The logs of slabs as one of the whole."""

import math
from collections.abc import Callable


def _least(each: list[float]) -> float:
    return math.nan if any(map(math.isnan, each)) else min(each)


# how the figures of slabs make one of the whole; the largest where nothing is said
JOINED: dict[str, Callable[[list[float]], float]] = {
    "loss": lambda each: math.fsum(each) / len(each),
    "iou": _least,
    "window_relative": _least,
    "best_window": _least,
    "wrong": math.fsum,
    "best_wrong": math.fsum,
}


def whole_log(log: dict[str, list[float]]) -> dict[str, list[float]]:
    """The log of slabs as one of the whole: a row for each logged iteration, of the slabs that reached it.

    Windows are the narrowest of the slabs, overlaps the least, wrong voxels their sum, other shares the largest, the
    loss its mean, seconds those when the last slab was there; `slabs` is their number. Of a log without slabs: itself.
    """
    if "slab" not in log:
        return log
    rows: dict[float, list[int]] = {}
    for place, iteration in enumerate(log["iteration"]):
        rows.setdefault(iteration, []).append(place)
    joined: dict[str, list[float]] = {"iteration": sorted(rows)}
    for name, values in log.items():
        if name not in ("iteration", "slab"):
            rule = JOINED.get(name, max)
            joined[name] = [rule([values[n] for n in rows[at]]) for at in joined["iteration"]]
    return joined | {"slabs": [float(len(rows[at])) for at in joined["iteration"]]}
