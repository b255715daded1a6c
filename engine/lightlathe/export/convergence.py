"""How the runs of a study went: wrong voxels and process window, by iteration and by seconds."""

from pathlib import Path
from typing import Any

import numpy as np

from lightlathe.errors import ResultError

FLOOR = 1e-3  # percent: where the logarithmic axis of wrong voxels turns linear, so that none wrong can be shown


def draw_convergence(study: Any, path: Path, name_of: Any) -> Path:
    """Write a PNG or SVG, two rows for each job; one colour for each variant, one line for each repeat.

    study     of result/study.py
    name_of   gives the name of a variant (result/ranking.py, `label`)
    The window drawn is the widest so far among designs with the fewest wrong voxels so far: what a stop would give.
    Needs matplotlib (extra `plot`); ResultError says so where it is missing.
    """
    try:
        from matplotlib import colormaps
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise ResultError("pictures need matplotlib, which is not installed. pip install 'lightlathe[plot]'") from None
    jobs = list(dict.fromkeys(run.job for run in study.runs))
    names = list(dict.fromkeys(name_of(run.variant) for run in study.runs))
    if not jobs:
        raise ResultError("the study holds no runs yet; there is nothing to draw.")
    colours = {name: colormaps["tab20"](number % 20) for number, name in enumerate(names)}
    figure = Figure(figsize=(12, 6 * len(jobs) + 0.3 * len(names)), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(2 * len(jobs), 2, squeeze=False)
    for number, job in enumerate(jobs):
        for run in (r for r in study.runs if r.job == job):
            name = name_of(run.variant)
            look = {"color": colours[name], "alpha": 0.9 if run.repeat == 0 else 0.35, "linewidth": 1.2}
            wrong, window = so_far(run.log)
            for column, at in enumerate((np.asarray(run.log["iteration"]) + 1, np.asarray(run.log["seconds"]))):
                for row, values in enumerate((wrong, window)):
                    axes[2 * number + row, column].plot(
                        at, values, **look, label=name if (number, row, column, run.repeat) == (0, 0, 0, 0) else None
                    )
        for column, below in enumerate(("iterations (one product each way)", "seconds")):
            top, bottom = axes[2 * number, column], axes[2 * number + 1, column]
            top.set_yscale("symlog", linthresh=FLOOR)
            top.set_ylim(bottom=0)
            top.set_ylabel("wrong voxels / %")
            bottom.set_ylabel("relative window, widest so far")
            bottom.set_ylim(bottom=-0.5)
            for panel in (top, bottom):
                panel.set_xlabel(below)
                panel.grid(alpha=0.3)
            top.set_title(job)
    figure.legend(loc="outside lower center", ncols=min(3, len(names)), fontsize="small")
    figure.savefig(path)
    return Path(path)


def so_far(log: dict[str, list[float]]) -> tuple[np.ndarray, np.ndarray]:
    """Fewest wrong voxels (mean of the two shares, in percent) and the widest window, up to each logged iteration."""
    wrong = 50 * np.add(log["under_cure_fraction"], log["over_cure_fraction"])
    window = np.nan_to_num(np.asarray(log["window_relative"], float), nan=-np.inf)
    return np.minimum.accumulate(wrong), np.maximum.accumulate(window)
