"""Convergence plots of a study: wrong voxels and process window, by iteration and by seconds."""

import math
import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from lightlathe.errors import ResultError
from lightlathe.study.runs import Run, Study
from lightlathe.support.files import PICTURE, require_replaceable
from lightlathe.support.pictures import require_drawable, require_matplotlib, save
from lightlathe.support.watching import doing

DASHES = ("-", "--", ":", "-.", (0, (1, 3)), (0, (6, 2, 1, 2, 1, 2)))
MIN_WINDOW = -1.0  # below it the window axis ends: no exposure is right there anyway


def require_drawing(folder: Path, study: str = "", jobs: Iterable[str] = ()) -> None:
    """ResultError where the pictures of a study cannot be drawn or written, before any long work. Makes the folder.

    study, jobs   their names, from which those of the pictures are made
    """
    require_matplotlib()
    for path in pictures_of(folder, study, jobs):
        require_replaceable(path, PICTURE)
    try:
        os.makedirs(folder, exist_ok=True)
    except OSError as problem:
        raise ResultError(
            f"{folder}: cannot be made a folder for pictures ({problem.strerror}). Name another."
        ) from None


def pictures_of(folder: Path, study: str, jobs: Iterable[str]) -> list[Path]:
    """NAME-JOB.png and .svg for each job of a study."""
    return [Path(folder) / f"{study}-{job}.{ending}" for job in jobs for ending in ("png", "svg")]


def draw_study(study: Study, folder: Path, name_of: Callable[[Mapping[str, Any]], str]) -> list[Path]:
    """Write NAME-JOB.png and .svg for each job of a study; the folder is made where there is none. Returns the paths.

    name_of   gives the name of a variant (study/ranking.py, `label`)
    Needs matplotlib (extra `plot`). Raises ResultError where it is missing, or a picture cannot be written.
    """
    jobs = list(dict.fromkeys(r.job for r in study.runs if r.log))
    require_drawing(folder, study.name, jobs)
    if not jobs:
        raise ResultError("the study holds no runs with a log yet; there is nothing to draw.")
    for job in jobs:
        for path in pictures_of(folder, study.name, [job]):
            draw_convergence([r for r in study.runs if r.job == job and r.log], path, name_of, title=job)
    return pictures_of(folder, study.name, jobs)


@doing("drawing how the runs converged")
def draw_convergence(
    runs: list[Run], path: Path, name_of: Callable[[Mapping[str, Any]], str], *, title: str = ""
) -> Path:
    """Write one picture (PNG or SVG) of runs of one job: a colour for each value of the key varied first, a dash for
    those of the others, faint lines for repeats.

    Drawn is the best design so far, which a stop there would have kept. A grey line shows the widest window that any
    patterns could reach, where that is proven and the same for all runs.
    """
    require_drawable(path)
    from matplotlib import colormaps, rc_context
    from matplotlib.figure import Figure

    firsts = list(dict.fromkeys(_first(r.variant) for r in runs))
    rests = list(dict.fromkeys(_rest(r.variant) for r in runs))
    colours = colormaps["tab10"] if len(firsts) <= 10 else colormaps["turbo"].resampled(len(firsts))
    figure = Figure(figsize=(12, 8 + 0.22 * -(-len(firsts) * len(rests) // 3)), layout="constrained")
    axes = figure.subplots(2, 2, sharex="col", sharey="row")
    for run in sorted(runs, key=lambda r: -r.repeat):
        look = {
            "color": colours(firsts.index(_first(run.variant))),
            "linestyle": DASHES[rests.index(_rest(run.variant)) % len(DASHES)],
            "alpha": 1.0 if run.repeat == 0 else 0.3,
            "linewidth": 1.4 if run.repeat == 0 else 0.8,
        }
        for column, at in enumerate((np.asarray(run.log["iteration"]) + 1, np.asarray(run.log["seconds"]))):
            for row, values in enumerate(_best(run)):
                axes[row, column].plot(at, values, **look)
    one_each = {name_of(r.variant): r for r in runs}
    for name, run in sorted(one_each.items(), key=lambda item: rests.index(_rest(item[1].variant))):
        dash = DASHES[rests.index(_rest(run.variant)) % len(DASHES)]
        axes[0, 0].plot([], [], color=colours(firsts.index(_first(run.variant))), linestyle=dash, label=name)
    bounds = {r.figures.get("window_proven_at_most", math.nan) for r in runs}
    bound = bounds.pop() if len(bounds) == 1 else math.nan
    windows = np.concatenate([_best(r)[1] for r in runs] + [[bound]])
    lowest, highest = (float(f(windows, where=np.isfinite(windows), initial=0.0)) for f in (np.min, np.max))
    for column, below in enumerate(("iterations (one product with the operator, one with its transpose)", "seconds")):
        top, bottom = axes[:, column]
        top.set_yscale("symlog", linthresh=1)  # none wrong can be shown
        top.set_ylim(bottom=0)
        bottom.set_xlabel(below)
        if math.isfinite(bound):
            bottom.axhline(bound, color="0.4", linewidth=1)
            said, place = "no patterns reach more (proven)", bottom.get_yaxis_transform()
            bottom.text(0.99, bound, said, transform=place, ha="right", va="bottom", color="0.3", size="small")
        bottom.set_ylim(max(MIN_WINDOW, lowest - 0.05), max(MIN_WINDOW, highest) + 0.05)
        for panel in (top, bottom):
            panel.grid(alpha=0.3)
            panel.set_xlim(left=0)
    axes[0, 0].set_ylabel("wrong voxels")
    axes[1, 0].set_ylabel("relative process window")
    figure.suptitle(title)
    columns = len(rests) if len(rests) in (2, 3, 4) else 3  # a column for each dash, where there are a few
    figure.legend(loc="outside lower center", ncols=columns, fontsize="small")
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": title}):  # text stays text
        return save(figure, path, dpi=110)


def _best(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Wrong voxels and window of the best design up to each logged iteration; -inf where no window was known yet."""
    return np.asarray(run.log["best_wrong"], float), np.nan_to_num(run.log["best_window"], nan=-np.inf)


def _first(variant: Mapping[str, Any]) -> str:
    return str(next(iter(variant.values()), ""))


def _rest(variant: Mapping[str, Any]) -> str:
    return str(list(variant.values())[1:])
