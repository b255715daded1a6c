"""How a design converged: the window and what the loss made of it, by iteration and by time."""

import math
from typing import Any

import numpy as np

from lightlathe.report.page.chart import chart, line, mark

MOST = 2000  # iterations in a chart: a page has room for no more of a long design
LOWEST = -30.0  # percent: windows below are of the first iterations and lie outside the chart


def window_charts(log: dict[str, list[float]], bound: float) -> dict[str, Any]:
    """The window of every logged iteration with the certified bound, by iteration and by seconds; the loss."""
    if not log.get("iteration"):
        return {}
    window = 100 * np.asarray(log.get("window_relative", []), float)
    best = 100 * np.asarray(log.get("best_window", []), float)
    levels = [mark("proven: none above", 100 * bound, "bound", "dash")]
    tops = [v for v in (100 * bound, *window.tolist()) if math.isfinite(v)]
    y_range = (LOWEST, max([*tops, 5.0]) + 4)
    found = {}
    for name, x, column in (("by_iteration", "iteration", "iteration"), ("by_time", "time / s", "seconds")):
        if column not in log:
            continue
        lines = [line("window", log[column], window, "part")] if len(window) else []
        lines += [line("best so far", log[column], best, "plan", "dot")] if len(best) else []
        found[name] = chart(x, "window / %", lines, levels=levels, y_range=y_range)
    if "loss" in log:
        found["loss"] = chart("iteration", "loss", [line("loss", log["iteration"], log["loss"], "first")])
    if any(log.get("wrong", [])):
        wrong = [n if n > 0 else math.nan for n in log["wrong"]]
        found["wrong_voxels"] = chart(
            "iteration", "wrong voxels", [line("wrong voxels", log["iteration"], wrong, "over")], y_log=True
        )
    return found


def thinned(log: dict[str, list[float]], most: int = MOST) -> tuple[dict[str, list[float]], int]:
    """The log, or of a long one every n-th row and the last; and n."""
    rows = len(log.get("iteration", []))
    step = max(1, math.ceil(rows / most))
    if step == 1:
        return log, 1
    kept = sorted({*range(0, rows, step), rows - 1})
    return {name: [values[n] for n in kept] for name, values in log.items()}, step


def thinned_words(step: int) -> str:
    """That some iterations are left out, where they are."""
    return f"Of the logged iterations one in {step} is shown." if step > 1 else ""


def stages_before(log_before: dict[str, dict[str, list[float]]]) -> list[str]:
    """The stages that went before the design itself, a sentence each."""
    return [
        f"{name}: {len(log['iteration'])} logged iterations" for name, log in log_before.items() if log.get("iteration")
    ]
