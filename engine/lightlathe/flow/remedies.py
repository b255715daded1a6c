"""The proof of a print: its certificate and, where it has no process window, what would help."""

import dataclasses
import logging
import math
from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose import Turning
from lightlathe.errors import SolveError
from lightlathe.flow.certificate import Certificate, closest, operators_of
from lightlathe.flow.coupled_certificate import certificate_for, steps_in
from lightlathe.flow.operators import in_design
from lightlathe.flow.prepare import Setup
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.losses import SoftWindow
from lightlathe.quantities import Target
from lightlathe.solve import Filtered, Problem, SlicewiseLBFGS, normalised, prove, solve
from lightlathe.support.watching import doing, step

AS_IT_IS = "as it is"
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Remedy:
    """A change that would widen the window of the binding slice: in words, the window that a design of that slice
    alone then reaches, and its upper bound."""

    words: str
    reached: float
    upper_bound: float


def proven(setup: Setup, lit: Callable[[], SliceDoses], iterations: float) -> tuple[Certificate | None, list[Remedy]]:
    """The certificate of a design and, where it has no process window, remedies.

    lit          gives the doses of the light before its levels are rounded, in the stage's motion; 1 at the gel dose
    iterations   that the design took: where the job leaves it open, the search for the bound takes no longer
    None where the job asks for none, where there is nothing to separate, where some of the part gets no light, and
    where none can be certified: the log says why, and the design is kept. No remedies where light couples slices by
    depth: they are designs of one slice alone.
    """
    steps = setup.job.design.bound_iterations
    if steps == 0 or setup.lightless_mm:
        return None, []
    dose = lit()
    asked = {"most": steps_in(setup, iterations)} if steps == "auto" else {"iterations": steps}
    try:
        certificate = certificate_for(setup, dose, **asked)
    except SolveError as problem:
        log.error("no bound on the window: %s", problem)
        return None, []
    if certificate is None or certificate.reached > 0 or not setup.operator.optics.slices_independent:
        return certificate, []
    return closer(certificate, remedies_of(setup, certificate))


def remedies_of(setup: Setup, certificate: Certificate, *, iterations: int | None = None) -> list[Remedy]:
    """Changes that would help the binding slice, best first; the unchanged slice is included for comparison.

    Each change is designed for that slice alone, in `iterations` steps (left out: as many as the job's, from 30 to
    100), and bounded in as many again. Designs take the motion in as few parts as everywhere; the window and its bound
    in all.
    """
    target, voxel = setup.target, setup.part.grid.voxel_mm
    k = int((setup.part.grid.centres_mm(2) - certificate.slice_z_mm).abs().argmin())
    solid, liquid = (m[:, :, k : k + 1].contiguous().to(setup.device) for m in (target.solid, target.liquid))
    surface = _grown(liquid) & solid | _grown(solid) & liquid
    asked = setup.job.design.iterations
    iterations = iterations or (100 if asked == "auto" else min(max(asked, 30), 100))
    found = []
    for words, aim, absorption, angles in (
        (AS_IT_IS, Target(solid, liquid), 1.0, 1),
        ("half the absorption", Target(solid, liquid), 0.5, 1),
        ("twice the angles", Target(solid, liquid), 1.0, 2),
        (f"{voxel:g} mm on either side of the surface left out (tolerance_mm)",
         Target(solid & ~surface, liquid & ~surface), 1.0, 1),
    ):  # fmt: skip
        if not (bool(aim.solid.any()) and bool(aim.liquid.any())):
            continue
        operator, exact = operators_of(setup, torch.tensor([k]), absorption=absorption, angles=angles)
        scaled = normalised(operator, aim)
        still = scaled.still if isinstance(scaled, Turning) else scaled
        used = in_design(setup.job, still, setup.part)
        problem = Problem(used, SoftWindow(), aim, limit=setup.job.design.level_limit)
        with doing(f"no window: trying {words}", iterations):
            outcome = solve(
                problem, SlicewiseLBFGS(), Filtered(), iterations=iterations, on_iteration=lambda row: step(figures=row)
            )
        dose = exact.scaled(scaled.gain)(outcome.patterns.to(torch.float64)).float()
        bound = prove(scaled, aim, dose, exact=exact, most=4 * iterations, last=closest(scaled, exact))
        found.append(Remedy(words, _window(dose, aim), bound.window))
    return sorted(found, key=lambda remedy: -remedy.reached)


def closer(certificate: Certificate, remedies: list[Remedy]) -> tuple[Certificate, list[Remedy]]:
    """Both with the tighter of the two bounds found for the unchanged binding slice."""
    alone = [remedy.upper_bound for remedy in remedies if remedy.words == AS_IT_IS]
    upper_bound = min([certificate.upper_bound, *alone])
    return dataclasses.replace(certificate, upper_bound=upper_bound), [
        dataclasses.replace(remedy, upper_bound=upper_bound) if remedy.words == AS_IT_IS else remedy
        for remedy in remedies
    ]


def _window(dose: Tensor, aim: Target) -> float:
    """The relative window of a dose (x, y, z); NaN where some of the part gets none."""
    min_inside, max_outside = float(dose[aim.solid].amin()), float(dose[aim.liquid].amax())
    return 1 - max_outside / min_inside if min_inside > 0 else math.nan


def _grown(mask: Tensor) -> Tensor:
    """(x, y, 1): voxels of one slice that share a side with a voxel of the mask, or lie in it."""
    grown = mask.clone()
    for axis in (0, 1):
        rest = mask.shape[axis] - 1
        grown.narrow(axis, 1, rest).logical_or_(mask.narrow(axis, 0, rest))
        grown.narrow(axis, 0, rest).logical_or_(mask.narrow(axis, 1, rest))
    return grown
