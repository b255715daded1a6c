"""What is known of slabs outside their turn: their best patterns in main memory, states on the way to a file."""

from typing import Any

import torch
from torch import Tensor

from lightlathe.quantities import ByRow, rows_last, span
from lightlathe.solve.metrics import Figures
from lightlathe.solve.problem import Problem
from lightlathe.support.ranks import ranks

IN_HALF = 1000.0  # a limit of the light up to which patterns are kept in half precision: they hold 65504 at most


def kept_as(problem: Problem) -> torch.dtype:
    """The type in which the best patterns of slabs lie in main memory."""
    whole = problem.operator.dtype
    return torch.float16 if whole == torch.float32 and problem.limit <= IN_HALF else whole


def on_one_threshold(problem: Problem, best: Tensor, most: int) -> ByRow:
    """As solve/best.py has it, of patterns (slice, angle, column) in main memory, `most` slices at a time; made when
    they are asked for. Several processes share the slices out, and each has the scales of all."""
    device, dtype, team = problem.operator.device, problem.operator.dtype, ranks()
    count = len(best)
    scale, peak = torch.ones(count, dtype=torch.float64), torch.zeros(count, dtype=torch.float64)
    groups = torch.arange(count).split(most)
    for here in groups[team.rank :: team.size]:
        part = problem.slab(here)
        taken = of_slices(best, here, device, dtype)
        figures = Figures.of(part.seen(part.operator(taken)), part.target)
        wanted = torch.where(figures.windows.isfinite(), 2 / (figures.most + figures.least), 1.0).double()
        scale[here], peak[here] = wanted.cpu(), (taken.amax((0, 1)) * wanted).cpu()
    for rank in range(min(team.size, len(groups))):
        its = torch.cat(groups[rank :: team.size])
        scale[its], peak[its] = team.shared_by(rank, torch.stack([scale[its], peak[its]]))
    scale *= min(1.0, problem.limit / float(peak.amax())) if float(peak.amax()) > 0 else 1.0
    factor = scale.to(dtype)

    def made(here: Tensor) -> Tensor:
        return of_slices(best, here, device, dtype) * factor[here].to(device)

    return ByRow((*best.shape[1:], count), dtype, device, made)  # pyright: ignore[reportArgumentType]


def of_slices(best: Tensor, here: Tensor, device: torch.device, dtype: torch.dtype) -> Tensor:
    """(angle, column, slice) some slices of patterns (slice, angle, column), on a device."""
    return rows_last(best[span(here)].to(device).to(dtype))


def on_device(device: torch.device, state: Any) -> Any:
    """A state read from a file, on the device that goes on with it."""
    if isinstance(state, dict):
        return {name: on_device(device, value) for name, value in state.items()}
    return state.to(device) if isinstance(state, Tensor) else state


def bytes_of(state: Any) -> int:
    """Bytes of the tensors of a state."""
    if isinstance(state, dict):
        return sum(map(bytes_of, state.values()))
    return state.nbytes if isinstance(state, Tensor) else 0
