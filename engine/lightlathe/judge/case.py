"""The numbers that decide whether a print can work: a job without its mesh."""

import math
from collections.abc import Callable
from dataclasses import dataclass, fields

from torch import Tensor

from lightlathe.errors import JobError

PROGRAM_BYTES = 0.4e9  # resident size of a design that is next to nothing: torch and compiled loops, measured on Linux
LONGEST_S = 86400.0  # where a job sets no longest exposure: a resin that keeps still for a day is hard to find
FINER = 0.99  # of a voxel: a pixel below this is finer, above it the same
MAY_BE_0 = ("liquid_below_mj_cm3", "margin_voxels", "program_bytes", "begin_s", "least_iteration_s", "shadow_lost")


@dataclass(frozen=True)
class Case:
    """A print to be judged before any design. Lengths mm, doses mJ/cm3.

    vial_radius_mm, resin_height_mm    the resin's room
    absorption_per_mm, liquid_below_mj_cm3, solid_above_mj_cm3    the resin; base e
    part_radius_mm     farthest point of the part from the turning axis
    part_height_mm     its extent along the axis
    pixel_mm, columns, rows, bits, irradiance_mw_cm2    the light, as it is inside the vial
    voxel_mm, angles, turn_s, iterations, level_limit   the turn and the design
    continuous         the vial turns on while an image stands
    margin_voxels      of the grid below and above the part
    finer              the print is judged on voxels this many times finer; 1: on the job's own alone
    max_exposure_s     longest exposure allowed; LONGEST_S where a job sets none

    Known only once the part has been read (None: judged as a solid body of that radius and height):
    slices             (x, y, slice) bool: voxels that must turn solid, in slices worth a look
    slice_voxel_mm     their size; voxel_mm where None
    surrounded         some resin around the part is judged
    part_volume_mm3, thinnest_mm
    level_ends_mm      z of the level faces at its bottom and top, where both ends have one; see part/ends.py
    shadow_lost, shadow_text    largest share of its light that an opaque insert would take from a place in the part,
                       and a sentence on it; None where there is no insert
    misfits            sentences on what stands outside the resin or the light where it stands: it cannot work
    helps              what can make it fit
    doubts             sentences on what may be a slip: inserts or regions outside, a tiny part

    Known only to some:
    wavelength_nm      of the light; refractive_index of the resin there
    doses_over_s       exposure that the resin's two doses are for, where they change with it, and
    doses_at           the two for any other: seconds -> (liquid_below, solid_above), falling with them
    images_per_s       the projector's fastest rate at these bits
    viscosity_pa_s, density_rise_kg_m3, double_bonds_mol_m3    of the resin, see resins/liquid.py
    updates_per_s      voxels times angles per second that the dose operator does here
    begin_s, least_iteration_s    before the first iteration, and of one, however small the job
    memory_free_bytes  on the machine or card that will design, whose name in sentences is `machine`
    program_bytes      what the program takes there before any array; the default is for a CPU, 0 on a card
    pattern_copies, volume_copies    arrays of 4 bytes a number of each kind that the design holds at its peak; the
                       defaults are those of bounded_lbfgs with 10 pairs and soft_window
    """

    vial_radius_mm: float
    resin_height_mm: float
    absorption_per_mm: float
    liquid_below_mj_cm3: float
    solid_above_mj_cm3: float
    part_radius_mm: float
    part_height_mm: float
    pixel_mm: float
    columns: int
    rows: int
    irradiance_mw_cm2: float
    voxel_mm: float
    angles: int
    turn_s: float
    continuous: bool = True
    margin_voxels: int = 2
    bits: int = 8
    iterations: int = 60
    level_limit: float = 10.0
    finer: int = 1
    max_exposure_s: float = LONGEST_S
    slices: Tensor | None = None
    slice_voxel_mm: float | None = None
    surrounded: bool = True
    part_volume_mm3: float | None = None
    thinnest_mm: float | None = None
    level_ends_mm: tuple[float, float] | None = None
    shadow_lost: float | None = None
    shadow_text: str = ""
    misfits: tuple[str, ...] = ()
    helps: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    wavelength_nm: float | None = None
    refractive_index: float = 1.5
    doses_over_s: float | None = None
    doses_at: Callable[[float], tuple[float, float]] | None = None
    images_per_s: float | None = None
    viscosity_pa_s: float | None = None
    density_rise_kg_m3: float | None = None
    double_bonds_mol_m3: float | None = None
    updates_per_s: float | None = None
    begin_s: float = 0.0
    least_iteration_s: float = 0.0
    memory_free_bytes: float | None = None
    machine: str = "this machine"
    program_bytes: float = PROGRAM_BYTES
    pattern_copies: int = 22
    volume_copies: int = 9

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, Tensor | tuple | str | bool) or value is None or callable(value):
                continue
            if not math.isfinite(value) or value < 0 or (value == 0 and f.name not in MAY_BE_0):
                raise JobError(f"{f.name} is {value}; the check needs a finite number above 0.")
        if self.solid_above_mj_cm3 < self.liquid_below_mj_cm3:
            raise JobError(
                f"solid_above_mj_cm3 is {self.solid_above_mj_cm3}, below liquid_below_mj_cm3 = "
                f"{self.liquid_below_mj_cm3}; are the two swapped?"
            )

    @property
    def depth_mm(self) -> float:
        """Penetration depth: light falls to 1/e over it."""
        return 1 / self.absorption_per_mm

    @property
    def a(self) -> float:
        """Absorption over the vial's radius, mu R."""
        return self.absorption_per_mm * self.vial_radius_mm

    @property
    def pixels_are_finer(self) -> bool:
        """Whether pixels are finer than voxels: the design then sees only some of what its light does."""
        return self.pixel_mm < FINER * self.voxel_mm

    @property
    def gel_mj_cm3(self) -> float:
        return (self.liquid_below_mj_cm3 + self.solid_above_mj_cm3) / 2

    @property
    def dose_rate(self) -> float:
        """mJ/cm3 per second that full light leaves where nothing has weakened it: 10 mu I0."""
        return 10 * self.absorption_per_mm * self.irradiance_mw_cm2
