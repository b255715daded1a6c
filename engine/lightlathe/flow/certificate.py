"""The certificate of a print: the dual bound of solve/bound.py on its process window."""

import dataclasses
import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose import Backend, DoseOperator, Turning
from lightlathe.flow.prepare import Setup
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.judge.sample_slices import sample_slices
from lightlathe.quantities import Grid, Target
from lightlathe.solve import Bound, certify, first_bounds, prove, steps_for

LANES = {
    "cuda": 128,
    "cpu": 32,
}  # slices whose product takes about as long as that of fewer: what the kernel takes at once; by times on two cores
LEAST = {"cuda": 200, "cpu": 50}  # steps of the search for a bound, about a second on a card
SHARE = {"cuda": 0.5, "cpu": 0.25}  # of the time of the iterations that the search may take
MOST = 2000
SLICES = 6  # slices whose bound is searched for; see `_to_bound`
CANDIDATES = {"cuda": 64, "cpu": 32}  # slices that they are chosen from; of each the kernel takes two


@dataclass(frozen=True)
class Certificate:
    """An upper bound on the process window of a print.

    reached        the design's relative window
    upper_bound    of any patterns, whatever their light
    slice_z_mm     height of the binding slice
    part_mm, surroundings_mm   (x, y) of the voxels in it with the largest dual weights: the window is limited there
    surroundings_z_mm   height of the latter, where slices are bounded together: the former's is slice_z_mm
    """

    reached: float
    upper_bound: float
    slice_z_mm: float
    part_mm: tuple[float, float]
    surroundings_mm: tuple[float, float]
    surroundings_z_mm: float | None = None

    def figures(self) -> dict[str, float]:
        """As a result file holds them."""
        beside = self.surroundings_z_mm
        return {
            "window_proven_at_most": self.upper_bound,
            "window_reached": self.reached,
            "window_binding_slice_z_mm": self.slice_z_mm,
            "window_binding_part_x_mm": self.part_mm[0],
            "window_binding_part_y_mm": self.part_mm[1],
            "window_binding_surroundings_x_mm": self.surroundings_mm[0],
            "window_binding_surroundings_y_mm": self.surroundings_mm[1],
            **({} if beside is None else {"window_binding_surroundings_z_mm": beside}),
        }


def steps_in(setup: Setup, iterations: float) -> int:
    """How many steps of the search for a bound take SHARE of the time of so many iterations of the design, LEAST at
    least.

    By their products with operators that stand still, counted in slices: a step has two, of SLICES twice, in each part
    of an image; an iteration two, of all slices, in each of the design's parts. (Of equal slices, which were designed
    once, the steps take longer.) MOST at most.
    """
    slices = max(2 * SLICES, LANES[setup.device.type])
    spent = iterations * setup.part.grid.shape[2] * setup.design_views
    return max(LEAST[setup.device.type], afforded(setup, SHARE[setup.device.type] * spent / slices))


def afforded(setup: Setup, products: float) -> int:
    """How many steps of a search take as long as so many for a vial that stands; see `closest` for the last of them."""
    turning = setup.turning
    few, parts = (turning.coarser().parts, turning.parts) if isinstance(turning, Turning) else (1, 1)
    return steps_for(products, few, parts)


def closest(operator: DoseOperator | Turning, exact: DoseOperator | Turning) -> Turning | None:
    """The operator of a search with all the substeps of `exact`, for its last stage; None where it has them already."""
    if not (isinstance(operator, Turning) and isinstance(exact, Turning)) or operator.parts == exact.parts:
        return None
    return operator.of(operator.still, exact.parts)


def certificate_of(
    setup: Setup, dose: SliceDoses, *, iterations: int | None = None, most: int = MOST
) -> Certificate | None:
    """The bound for a print; None where every slice is all part or all surroundings.

    dose   of the print, in the motion that the stage makes; 1 at the gel dose
    iterations, most   as solve.prove takes them

    The bound is for the map that gives the dose: where the vial turns during an image, each image is smeared over
    its step here too. (Images that stand still at the same angles may reach more or less.) The
    weights are optimised with a quarter of the substeps, at last with all, and certified with all: any weights give a
    valid bound.

    One window must hold for all slices, so a bound for some of them bounds the whole. Light does not cross slices, and
    rows mix into slices with weights that sum to 1 or less: each slice sees patterns of its own, and the bound covers
    any of those. The weights of the check's quick bound are tried too.
    """
    target = setup.target
    min_inside, max_outside = dose.min_inside.to(setup.where), dose.max_outside.to(setup.where)
    both = min_inside.isfinite() & max_outside.isfinite()
    if not bool(both.any()):
        return None
    windows = torch.where(both, 1 - max_outside / min_inside.clamp(min=1e-30), torch.inf)
    chosen = _to_bound(setup, dose, target, windows.argsort()[: int(both.sum())])
    bound, slices = _bounded(setup, dose, target, chosen, iterations, most)
    checked = torch.cat([chosen, sample_slices(target.solid).to(chosen)]).unique()
    checked = checked[both[checked]]
    at_wall = dict(zip(checked.tolist(), wall_bounds(setup, target, checked).tolist(), strict=True))
    closest = min(at_wall, key=lambda k: at_wall[k])
    if at_wall[closest] < bound.window and closest not in chosen:
        chosen = chosen.new_tensor([closest])
        bound, slices = _bounded(setup, dose, target, chosen, iterations, most)
    limits = torch.tensor([at_wall[k] for k in chosen.tolist()], dtype=torch.float64)
    by_slice = torch.minimum(bound.by_slice, limits)
    bound = dataclasses.replace(bound, window=float(by_slice.amin()), by_slice=by_slice)
    x, y, z = (setup.part.grid.centres_mm(axis).tolist() for axis in range(3))
    part, surroundings = ((x[i], y[j]) for i, j, _ in (bound.heaviest(m) for m in (slices.solid, slices.liquid)))
    reached = float(1 - max_outside[both].amax() / min_inside[both].amin())
    height = z[int(chosen[bound.worst_slice])]
    return Certificate(reached, bound.window, height, part, surroundings)


def _to_bound(setup: Setup, dose: SliceDoses, target: Target, narrowest: Tensor) -> Tensor:
    """(SLICES or fewer,) the slices whose bound is searched for: half of them those in which the design's window is
    narrowest, half those whose weights to start from bound it most. (A design may be narrow for other reasons than a
    bound knows, such as its limit on levels: a ball in a cage, 512 voxels across, had 0.126, and its six narrowest
    slices alone proved 0.48, where others prove 0.175.)

    narrowest   all slices with part and surroundings, the narrowest window first
    """
    count = len(narrowest)
    spread = (
        torch.linspace(0, count - 1, min(count, CANDIDATES[setup.device.type]), device=narrowest.device).round().long()
    )
    candidates = torch.cat([narrowest[:SLICES], narrowest[spread]]).unique()
    operator, _ = operators_of(setup, candidates)
    start = dose.of(candidates).to(operator.device, operator.dtype).contiguous()
    bounds = first_bounds(operator, target.of_slices(candidates, operator.device), start)
    wanted = [*narrowest[: SLICES // 2].tolist(), *candidates[bounds.cpu().argsort(stable=True)].tolist()]
    return narrowest.new_tensor(sorted(list(dict.fromkeys(wanted))[:SLICES]))


def _bounded(
    setup: Setup, dose: SliceDoses, target: Target, chosen: Tensor, iterations: int | None, most: int
) -> tuple[Bound, Target]:
    """The bound for some slices, and their target."""
    operator, exact = operators_of(setup, chosen)
    slices = Target(*(mask[:, :, chosen].contiguous().to(operator.device) for mask in (target.solid, target.liquid)))
    start = dose.of(chosen).float().contiguous().to(operator.device)
    last = closest(operator, exact)
    return prove(operator, slices, start, exact=exact, iterations=iterations, most=most, last=last), slices


def wall_bounds(setup: Setup, target: Target, slices: Tensor) -> Tensor:
    """(slice,) the bound from the weights of the check's quick bound: uniform over the voxels along the wall, which
    all light must cross, against the part's, uniform or growing towards its rim."""
    grid = setup.part.grid
    few = Target(*(mask[:, :, slices].contiguous().to(setup.device) for mask in (target.solid, target.liquid)))
    exact, vial_mm = operators_of(setup, slices)[1], setup.job.vial.radius_mm
    at_wall = (grid.inside(vial_mm) & ~grid.inside(vial_mm - 1.5 * grid.voxel_mm)).to(few.solid.device)[:, :, None]
    radius = grid.radius_mm().to(few.solid.device)[:, :, None]
    reach = torch.where(few.solid, radius, 0.0).amax((0, 1), keepdim=True) + grid.voxel_mm / 2
    rim = (reach.square() - radius.square()).clamp(min=(grid.voxel_mm / 2) ** 2).rsqrt()
    ring = (few.liquid & at_wall).double()
    proven = [certify(exact, few, ring + few.solid * q).by_slice for q in (torch.ones_like(rim), rim)]
    return torch.minimum(*proven)


def operators_of(
    setup: Setup, slices: Tensor, *, absorption: float = 1, angles: int = 1
) -> tuple[DoseOperator | Turning, DoseOperator | Turning]:
    """The operator with the stage's motion on some slices, one pattern row each, with a quarter of the substeps; and
    the same with all substeps in float64.

    absorption, angles   factors on the job's own
    """
    nx, ny, _ = setup.part.grid.shape
    voxel, optics = setup.part.grid.voxel_mm, setup.operator.optics
    turn = optics.chords.angle_rad
    step = 2 * math.pi / len(turn) * (1 if len(turn) < 2 or turn[1] > turn[0] else -1)
    between = torch.stack([turn + step * part / angles for part in range(angles)], dim=1).flatten()
    absorption_per_mm = optics.absorption_per_mm * absorption
    optics = optics.for_slices(slices.cpu(), setup.part.grid).replace(
        angle_rad=between, absorption_per_mm=absorption_per_mm
    )

    def operator(dtype: torch.dtype, precision: str) -> DoseOperator:
        backend = Backend(device=setup.device, dtype=dtype, precision=precision)
        return DoseOperator(optics, Grid((nx, ny, len(slices)), voxel), backend, gain=setup.operator.gain / angles)

    rough, exact = operator(torch.float32, "half"), operator(torch.float64, "single")
    if not isinstance(setup.turning, Turning):
        return rough, exact
    parts = math.ceil(setup.turning.parts / angles)
    return setup.turning.of(rough, parts).coarser(), setup.turning.of(exact, parts)
