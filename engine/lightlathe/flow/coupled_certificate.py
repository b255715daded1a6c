"""The certificate of a print whose light couples slices by depth: a lens nearby, light out of focus."""

import logging
import math

import torch

from lightlathe.dose import Backend, DoseOperator, Turning
from lightlathe.flow.certificate import MOST, Certificate, afforded, certificate_of, closest
from lightlathe.flow.certificate import steps_in as steps_of_slices
from lightlathe.flow.prepare import Setup
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.solve import prove
from lightlathe.support.words import size

LEAST = 50  # steps of the search: fewer prove next to nothing (benchmarks/QUALITY.md)
SHARE = 0.5  # of the time of the iterations that the search may take
VOXEL_BYTES, PIXEL_BYTES = 160, 50  # at its peak; measured on a CPU as the growth of the resident size with either

log = logging.getLogger(__name__)


def steps_in(setup: Setup, iterations: float) -> int:
    """How many steps of the search for a bound take SHARE of the time of so many iterations of the design, LEAST at
    least.

    By their products with operators that stand still: of light that couples slices by depth a step has four of the
    whole, in each part of an image, an iteration two, in each of the design's parts.
    """
    if setup.operator.optics.slices_independent:
        return steps_of_slices(setup, iterations)
    return max(LEAST, afforded(setup, SHARE * iterations * setup.design_views / 2))


def certificate_for(
    setup: Setup, dose: SliceDoses, *, iterations: int | None = None, most: int = MOST
) -> Certificate | None:
    """The certificate of a print in any light, as `certificate_of`.

    Where weights that depend on depth couple slices, weights on all voxels bound the whole at once, by products with
    the whole operator. None where that does not fit into memory: a card says so itself, a CPU's system would end the
    program, so there the limit of the job's slabs counts, and with memory_limit_gb everywhere.
    """
    if setup.operator.optics.slices_independent:
        return certificate_of(setup, dose, iterations=iterations, most=most)
    if setup.slabs.dose is not None:
        log.error("no bound on the window: it takes all slices at once, which memory does not hold")
        return None
    need = VOXEL_BYTES * setup.part.grid.voxels + PIXEL_BYTES * math.prod(setup.operator.pattern_shape)
    limited = setup.device.type == "cpu" or setup.job.design.memory_limit_gb is not None
    if limited and need > setup.slabs.limit_bytes:
        log.error(
            "no bound on the window: the search for one takes %s, and %s are left for arrays",
            size(need),
            size(setup.slabs.limit_bytes),
        )
        return None
    target = setup.part.target(setup.device)
    if not (bool(target.solid.any()) and bool(target.liquid.any())):
        return None
    operator, exact = whole_operators(setup)
    start = dose.of(torch.arange(setup.part.grid.shape[2])).to(operator.device, operator.dtype).contiguous()
    try:
        bound = prove(
            operator, target, start, exact=exact, iterations=iterations, most=most, last=closest(operator, exact)
        )
    except torch.OutOfMemoryError:
        log.error("no bound on the window: memory does not hold the search for one")
        torch.cuda.empty_cache()
        return None
    x, y, z = (setup.part.grid.centres_mm(axis).tolist() for axis in range(3))
    (i, j, k), (beside_i, beside_j, beside_k) = (bound.heaviest(mask) for mask in (target.solid, target.liquid))
    low, high = float(dose.max_outside.amax()), float(dose.min_inside.amin())
    reached = 1 - low / high if high > 0 else -math.inf
    beside = x[beside_i], y[beside_j]
    return Certificate(reached, bound.window, z[k], (x[i], y[j]), beside, surroundings_z_mm=z[beside_k])


def whole_operators(setup: Setup) -> tuple[DoseOperator | Turning, DoseOperator | Turning]:
    """The operator with the stage's motion, in a quarter of the substeps; and in all of them, in float64."""
    still = setup.operator
    backend = Backend(device=setup.device, dtype=torch.float64, precision="single")
    exact = DoseOperator(still.optics, still.grid, backend, gain=still.gain)
    if not isinstance(setup.turning, Turning):
        return still, exact
    return setup.turning.coarser(), setup.turning.of(exact, setup.turning.parts)
