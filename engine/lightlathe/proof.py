"""How far a design is from the best that any patterns could do: the bound of solve/bound.py for a print."""

import dataclasses
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose import DoseOperator
from lightlathe.prepare import Setup
from lightlathe.quantities import Grid, Target
from lightlathe.solve import prove

SLICES = 6  # slices that are looked at: those in which the design's own window is narrowest


@dataclass(frozen=True)
class Proof:
    """What is proven of the process window of a print.

    reached        the design's relative window
    at_most        no patterns reach more, whatever their light
    at_most_here   nor these, with levels under the job's limit
    slice_z_mm     height of the slice that binds
    """

    reached: float
    at_most: float
    at_most_here: float
    slice_z_mm: float

    def figures(self) -> dict[str, float]:
        return {
            "window_proven_at_most": self.at_most,
            "window_proven_at_most_with_limit": self.at_most_here,
            "window_gap": self.at_most_here - self.reached,
            "window_binding_slice_z_mm": self.slice_z_mm,
        }


def proof_of(setup: Setup, gain: float, dose: Tensor, *, iterations: int) -> Proof | None:
    """The bound for a design; None where every slice is all part or all surroundings.

    gain   of the design's operator, in whose units `dose` (x, y, z) is 1 at the gel dose
    A window holds for all slices at once, so what is proven for some of them holds for the whole. Slices are
    independent of each other, and rows mix slices with weights that sum to 1 at most: whatever rows do, each slice sees
    patterns of its own, and those are what the bound is about.
    """
    target = setup.part.target(dose.device)
    least = torch.where(target.solid, dose, torch.inf).amin((0, 1))
    most = torch.where(target.liquid, dose, -torch.inf).amax((0, 1))
    both = target.solid.any(0).any(0) & target.liquid.any(0).any(0)
    if not bool(both.any()):
        return None
    windows = torch.where(both, 1 - most / least.clamp(min=1e-30), torch.inf)
    chosen = windows.argsort()[: min(SLICES, int(both.sum()))].sort().values
    nx, ny, nz = setup.part.grid.shape
    voxel = setup.part.grid.voxel_mm
    slices = Target(target.solid[:, :, chosen].contiguous(), target.liquid[:, :, chosen].contiguous())
    chords = dataclasses.replace(setup.chords, rows=len(chosen), row_mm=voxel)
    grid = Grid((nx, ny, len(chosen)), voxel)

    def operator(dtype: torch.dtype, precision: str) -> DoseOperator:
        return DoseOperator(
            chords,
            grid,
            vial_radius_mm=setup.job.vial.radius_mm,
            absorption_per_mm=setup.job.resin.absorption_per_mm,
            gain=gain,
            device=dose.device,
            dtype=dtype,
            precision=precision,
        )

    bound = prove(
        operator(torch.float32, "half"),
        slices,
        dose[:, :, chosen].float().contiguous(),
        exact=operator(torch.float64, "single"),
        limit=setup.job.design.level_limit,
        iterations=iterations,
    )
    binding = int(chosen[bound.worst_slice])
    reached = float(1 - most[both].amax() / least[both].amin())
    return Proof(reached, bound.window, bound.window_limited, (binding - (nz - 1) / 2) * voxel)
