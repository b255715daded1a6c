"""A rehearsal: on a card a tiny design runs in the background while a job's part is read.

It is of the job's own kind, so what the job will need is compiled by then (and kept in the compilers' caches for the
next run). Nothing of it is used; where it fails, it leaves the message to the job itself.
"""

import logging
import threading
from functools import lru_cache

import torch

from lightlathe.beams import Telecentric
from lightlathe.dose import Backend, DoseOperator
from lightlathe.flow.devices import device_of
from lightlathe.job import Job
from lightlathe.losses import SoftWindow
from lightlathe.quantities import Chords, Grid, Optics, Target
from lightlathe.solve import Auto, Filtered, Problem, SlicewiseLBFGS, normalised, prove, solve

log = logging.getLogger(__name__)
ANGLES, ACROSS, SLICES, PROVEN = 16, 16, 64, 6  # slices as a kernel takes at once; slices of the proof


class Rehearsal:
    """A tiny design in a thread of its own."""

    def __init__(self, backend: Backend, solver: SlicewiseLBFGS) -> None:
        self._backend, self._solver = backend, solver
        self._thread = threading.Thread(target=self._run, name="rehearsal")  # no daemon: compilers die badly
        self._thread.start()

    def over(self) -> None:
        """Returns when it is over."""
        self._thread.join()

    def _run(self) -> None:
        try:
            tiny_design(self._backend, self._solver)
        except Exception as problem:  # whatever a compiler or a driver raises, the job meets it again
            log.info("the rehearsal failed: %s: %s", type(problem).__name__, problem)


def rehearse(job: Job) -> Rehearsal | None:
    """The rehearsal of a job, begun if none of its kind was; None where nothing would be compiled for it."""
    design = job.design
    usual = type(design.loss) is SoftWindow and isinstance(design.solver, (Auto, SlicewiseLBFGS))
    if not usual or design.precision == "double" or not isinstance(job.light.beam, Telecentric):
        return None
    backend = Backend(design.kernel, device_of(job), precision=design.precision)
    solver = design.solver if isinstance(design.solver, SlicewiseLBFGS) else SlicewiseLBFGS()
    return None if torch.device(backend.device).type == "cpu" else _of(backend, solver)


@lru_cache(maxsize=4)
def _of(backend: Backend, solver: SlicewiseLBFGS) -> Rehearsal:
    return Rehearsal(backend, solver)


def tiny_design(backend: Backend, solver: SlicewiseLBFGS) -> None:
    """A disc in every slice, designed for two iterations; of some slices a bound."""
    angle_rad = torch.arange(ANGLES, dtype=torch.float64) * (2 * torch.pi / ANGLES)
    offset_mm = torch.arange(ACROSS, dtype=torch.float64) - (ACROSS - 1) / 2
    chords = Chords(angle_rad, offset_mm, torch.zeros_like(offset_mm), torch.ones_like(offset_mm), SLICES, 1.0)
    optics, grid = Optics(chords, ACROSS / 2, 0.01), Grid((ACROSS, ACROSS, SLICES), 1.0)
    radius = grid.radius_mm()[:, :, None].expand(grid.shape)
    radius = radius.to(backend.device)
    target = Target(radius < ACROSS / 4, (radius >= ACROSS / 4) & (radius <= ACROSS / 2))
    operator = normalised(DoseOperator(optics, grid, backend), target)
    found = solve(Problem(operator, SoftWindow(), target, limit=10.0), solver, Filtered(), iterations=2)
    few = target.of_slices(torch.arange(PROVEN, device=target.solid.device))
    in_float64 = Backend(device=backend.device, dtype=torch.float64, precision="single")
    low = Grid((ACROSS, ACROSS, PROVEN), 1.0)
    exact = DoseOperator(optics.replace(rows=PROVEN), low, in_float64, gain=operator.gain)
    dose = operator(found.patterns)[:, :, :PROVEN].contiguous()
    prove(operator.with_slices(PROVEN), few, dose, exact=exact, iterations=1)
