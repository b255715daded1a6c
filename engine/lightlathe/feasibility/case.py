"""The inputs of the feasibility check: a job's tables, the extent of its part, and the machine."""

from dataclasses import dataclass, field, replace
from typing import Any

from lightlathe.beams import Diverging, RoundVial, Telecentric
from lightlathe.families import Resin
from lightlathe.feasibility.extent import Extent
from lightlathe.feasibility.machine import Machine
from lightlathe.job.design import Design
from lightlathe.job.light import Light
from lightlathe.job.lit_space import narrowing
from lightlathe.job.model import GridTable, Turn
from lightlathe.job.vial import Vial
from lightlathe.judge import is_steady

FINER = 0.99  # of a voxel: a pixel below this is finer, above it the same


@dataclass(frozen=True)
class Case:
    """A print to be judged before any design: the tables of a job file, the part's extent, the machine."""

    vial: Vial
    resin: Resin
    light: Light
    turn: Turn
    grid: GridTable
    part: Extent
    design: Design = field(default_factory=Design)
    machine: Machine = field(default_factory=Machine)
    index_assumed: bool = False  # the job does not give the resin's refractive index
    straight_rays: bool = True  # of the job's optics, from wall to wall: the closed-form limits are theirs alone

    def having(self, **tables: dict[str, Any]) -> "Case":
        """A copy with some keys of its tables changed: `case.having(light={"pixel_mm": 0.1})`."""
        return replace(self, **{name: replace(getattr(self, name), **keys) for name, keys in tables.items()})

    @property
    def depth_mm(self) -> float:
        """Penetration depth: light falls to 1/e over it."""
        return 1 / self.resin.absorption_per_mm

    @property
    def a(self) -> float:
        """Absorption over the vial's radius, mu R."""
        return self.resin.absorption_per_mm * self.vial.radius_mm

    @property
    def continuous(self) -> bool:
        """Whether the vial keeps turning while an image is shown."""
        return self.turn.motion == "continuous"

    @property
    def pixels_are_finer(self) -> bool:
        """Whether pixels are finer than voxels: the design then sees only some of what its light does."""
        return self.light.pixel_mm < FINER * self.grid.voxel_mm

    @property
    def steady(self) -> bool:
        """Whether the resin's doses are the same, however long the exposure."""
        return is_steady(self.resin, 1.0)

    @property
    def narrowing(self) -> float:
        """Width of the light in the resin over that outside; its irradiance grows by as much, less what is lost."""
        return narrowing(self.light, self.vial, self.resin)

    @property
    def refracted(self) -> bool:
        """Whether rays refract at the vial."""
        known = isinstance(self.light.beam, Telecentric | Diverging)
        return known and not RoundVial.of(self.vial, self.resin).matched

    @property
    def rebinned(self) -> bool:
        """Whether columns differ in direction, and images are sorted into parallel views."""
        return self.refracted or self.light.rows_spread

    @property
    def dose_rate(self) -> float:
        """mJ/cm3 per second that full light leaves where nothing has weakened it: 10 mu I0, drawn together."""
        return 10 * self.resin.absorption_per_mm * self.light.irradiance_mw_cm2 / self.narrowing
