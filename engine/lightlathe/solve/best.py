"""The best patterns of a run, kept on the device: of the whole, or slice by slice where each is designed on its own."""

import math
from collections.abc import Callable
from typing import Any

import torch
from torch import Tensor

from lightlathe.gpu.forms import keep_if
from lightlathe.solve.metrics import NAMES, Figures
from lightlathe.solve.problem import Evaluated, Problem

LANES = "lanes"  # of a run: the slices that are still designed, where others are done


def nothing_yet(patterns: Tensor, by_slice: bool) -> dict[str, Any]:
    """What a run knows of its best patterns before the first iteration."""
    small = {"device": patterns.device, "dtype": torch.float64}
    each = {"quality": torch.full((patterns.shape[2],), -math.inf, **small)} if by_slice else {}
    return {
        **each,
        "best": patterns,
        "best_rank": torch.full((), math.inf, **small),
        "best_wrong": torch.full((), math.inf, **small),
        "best_window": torch.full((), -math.inf, **small),
        "best_iteration": torch.full((), -1.0, **small),
        "first_nan": torch.full((), -1.0, **small),
    }


def remember(run: dict[str, Any], at: Evaluated, problem: Problem, number: int) -> Figures:
    """Keep the best patterns: those of the least rank, among equals the widest window."""
    figures = Figures.of(problem.seen(at.dose), problem.target)
    wrong, window = figures.wrong.to(torch.float64), figures.window_relative.to(torch.float64)
    # a graded part is judged by its doses, and their error is the loss; others by what they print
    rank = wrong if problem.target.dose is None else at.value.to(torch.float64)
    better = (rank < run["best_rank"]) | ((rank == run["best_rank"]) & (window > run["best_window"]))
    better = better & at.value.isfinite().all()
    run["best"] = keep_if(better, at.patterns, run["best"])
    run["best_rank"] = torch.where(better, rank, run["best_rank"])
    run["best_wrong"] = torch.where(better, wrong, run["best_wrong"])
    run["best_window"] = torch.where(better, window.nan_to_num(-math.inf), run["best_window"])
    run["best_iteration"] = torch.where(better, float(number), run["best_iteration"])
    return figures


def remember_slices(run: dict[str, Any], at: Evaluated, problem: Problem, number: int) -> Figures:
    """Keep the best patterns of each slice: the widest window, without one the least loss; scale does not count.

    problem   of the slices that are still designed. The figures are of all slices, those that are done as they were.
    """
    figures, lanes = Figures.of(problem.seen(at.dose), problem.target), run.get(LANES)
    value = at.value.to(torch.float64)
    quality = torch.where(figures.windows == math.inf, -value, figures.windows.to(torch.float64))
    before, best = run["quality"], run["best"]
    if lanes is not None:
        before, best = before[lanes], best[:, :, lanes]
    better = (quality > before) & value.isfinite()
    quality, best = torch.where(better, quality, before), torch.where(better, at.patterns, best)
    if lanes is not None:
        figures = Figures(**run["figures"]).with_slices(lanes, figures)
        quality, best = run["quality"].index_copy(0, lanes, quality), run["best"].index_copy_(2, lanes, best)
    run["quality"], run["best"], run["figures"] = quality, best, dict(vars_of(figures))
    narrowest = torch.where(figures.windows == math.inf, math.inf, quality).amin()
    wrong = torch.where(quality > 0, 0, figures.part - figures.correct + figures.over)
    run["best_wrong"] = torch.where(figures.windows == math.inf, 0, wrong).sum().to(torch.float64)
    improved = narrowest > run["best_window"]
    run["best_window"] = torch.where(improved, narrowest, run["best_window"])
    run["best_iteration"] = torch.where(improved, float(number), run["best_iteration"])
    return figures


def vars_of(figures: Figures) -> dict[str, Tensor]:
    """The tensors of figures by name."""
    return {name: getattr(figures, name) for name in ("correct", "over", "part", "rest", "least", "most")}


def narrowed(run: dict[str, Any], solver: Any, lanes: Tensor) -> dict[str, Any]:
    """The run that goes on with some of its slices alone, as it would with all; the others are done.

    lanes   (slice,) int64, ascending: slices of the whole, all of which are still designed
    """
    have = run.get(LANES)
    places = lanes if have is None else torch.searchsorted(have, lanes)
    return {**run, "solver": solver.of_slices(run["solver"], places), LANES: lanes}


def on_one_threshold(problem: Problem, patterns: Tensor) -> Tensor:
    """Patterns of independent slices, each scaled so that its dose window lies about the same threshold.

    That is the gel dose (1), or as much of it as the limit of the light allows in the slice that is brightest.
    """
    figures = Figures.of(problem.seen(problem.operator(patterns)), problem.target)
    scale = torch.where(figures.windows.isfinite(), 2 / (figures.most + figures.least), 1.0)
    brightest = (patterns.amax((0, 1)) * scale).amax()
    return patterns * (scale * torch.clamp(problem.limit / brightest, max=1.0)).to(patterns.dtype)


def on_the_way(run: dict[str, Any], at: Evaluated, figures: Figures) -> Callable[[], dict[str, float]]:
    """What gives the figures of one iteration as plain numbers; the one place that waits for the device.

    A card sends them as soon as it has them and goes on with what it is told to do before they are read.
    """
    names = ("loss", *NAMES, "wrong", "best_wrong", "best_window", "best_iteration", "first_nan")
    tensors = [
        at.value.mean(),
        *(getattr(figures, name) for name in (*NAMES, "wrong")),
        *(run[name] for name in names[-4:]),
    ]
    values = torch.stack([t.to(torch.float64) for t in tensors])
    arrived = None
    if values.is_cuda:
        values = torch.empty(values.shape, dtype=values.dtype, pin_memory=True).copy_(values, non_blocking=True)
        arrived = torch.cuda.Event()
        arrived.record(torch.cuda.current_stream(at.dose.device))

    def read() -> dict[str, float]:
        if arrived is not None:
            arrived.synchronize()
        return dict(zip(names, values.tolist(), strict=True))

    return read
