"""The workloads that are timed, by name; the names stay the same so that old results can be compared."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.beams import Telecentric, full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.part.shapes import Tube
from lightlathe.quantities import Grid, Optics, Target


@dataclass(frozen=True)
class Workload:
    """A cube of `voxels` voxels a side that just holds the vial, patterns as fine, mu R = 0.5."""

    name: str
    voxels: int
    angles: int
    radius_mm: float = 8.0

    @property
    def grid(self) -> Grid:
        return Grid((self.voxels, self.voxels, self.voxels), 2 * self.radius_mm / self.voxels)

    @property
    def updates(self) -> int:
        """Voxels times angles: each update adds to one voxel what one view gives it; corners of the square counted."""
        return self.voxels**3 * self.angles

    def operator(self, device: torch.device, *, slices: int | None = None, **more) -> DoseOperator:
        grid = self.grid if slices is None else Grid((self.voxels, self.voxels, slices), self.grid.voxel_mm)
        chords = Telecentric().chords(
            angle_rad=full_turn(self.angles), columns=self.voxels, rows=grid.shape[2], pixel_mm=grid.voxel_mm
        )
        optics = Optics(chords, self.radius_mm, 0.5 / self.radius_mm)
        return DoseOperator(optics, grid, Backend(device=device, **more))

    def bytes(self) -> tuple[int, int]:
        """Bytes of one set of patterns and of one dose, float32."""
        return 4 * self.angles * self.voxels**2, 4 * self.voxels**3

    def target(self, device: torch.device) -> Target:
        """The reference part: an upright tube, half the vial wide and high, its wall a fifth of that."""
        tube = Tube(outer_radius_mm=self.radius_mm / 2, inner_radius_mm=self.radius_mm * 0.3, height_mm=self.radius_mm)
        solid: Tensor = tube.coverage(self.grid, device) >= 0.5
        inside = self.grid.inside(self.radius_mm).to(device)[:, :, None]
        return Target(solid=solid, liquid=inside & ~solid)


WORKLOADS = (
    Workload("thimble", 64, 90),
    Workload("thumb", 128, 180),
    Workload("hand", 256, 360),
    Workload("vial", 512, 360),
    Workload("jar", 1024, 720),
)
ITERATION_HOLDS = (8, 7)  # sets of patterns and of doses that a design iteration holds at its peak, with a margin


def that_fit(free: int) -> tuple[list[Workload], list[Workload]]:
    """Cases whose two products fit in `free` bytes, and of those the ones whose whole iteration fits too."""
    products, whole = [], []
    for work in WORKLOADS:
        patterns, dose = work.bytes()
        if 4 * (patterns + dose) < free:
            products.append(work)
        if ITERATION_HOLDS[0] * patterns + ITERATION_HOLDS[1] * dose < free:
            whole.append(work)
    return products, whole
