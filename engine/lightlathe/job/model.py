"""A job: everything needed to design one print, typed and validated. One dataclass per table of the job file."""

import math
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from pathlib import Path
from typing import Literal

import torch
from torch import Tensor

from lightlathe.beams import Diverging, RoundVial, Telecentric
from lightlathe.checks import path_in
from lightlathe.errors import JobError, shown
from lightlathe.families import Beam, Resin, Response, Shape
from lightlathe.job.bounds import positive
from lightlathe.job.design import Design
from lightlathe.job.vial import Vial
from lightlathe.part.units import MM_PER_UNIT, plain_unit
from lightlathe.projector import FlatField, Linear, Measured, relative_irradiance
from lightlathe.quantities.defocus import Defocus, cone
from lightlathe.quantities.footprint import FWHM_PER_SIGMA, Footprint
from lightlathe.support.own import OwnMember

ROUNDING_STEPS = 40
LONGEST_S = 86400.0  # where a job sets no longest exposure; no resin stays in place for longer than a day
LEAST_FILL = 0.1  # of a pixel that shines; micromirrors have 0.9 and more, liquid crystals 0.5 (from memory)
MOST_APERTURE = 0.5  # no projector lens has more on the side of the vial (from memory)
USUAL_NM = 405.0  # of most projectors for resin; taken where a job names no wavelength
AIRY_FWHM = 0.51
MOST_BLUR = 20.0  # pixels: no picture is left
MAX_PLANES = 255  # levels of 8 bits; a projector of one bit shows some 24 a video frame
WAVELENGTHS_NM = (200.0, 2000.0)  # glass and resin let nothing shorter through, and nothing longer starts a cure


@dataclass(frozen=True)
class PartTable:
    """One [part]: a mesh file or an analytic shape, and where it sits.

    role   part: must turn solid; insert: sits in the vial already, is not judged; keep_liquid: must stay liquid
    opaque   of an insert: True, no light enters it (metal, ceramic, anything dark); False, light passes through it as
             through resin. None of any other role
    lay    along or across: turn the longest side along the axis or across it, before rotation_deg
    centre middle of the box on the axis at half height; several meshes are centred as one and keep their places
    wanted_dose   of this solid in units of the gel dose, for graded parts; takes a loss that aims at doses
    """

    mesh: str | None = None
    shape: Shape | None = None
    unit: str | None = None
    role: Literal["part", "insert", "keep_liquid"] = "part"
    scale: float = 1.0
    rotation_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lay: Literal["along", "across"] | None = None
    centre: bool = True
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    wanted_dose: float | None = None
    opaque: bool | None = None

    def __post_init__(self) -> None:
        if self.role == "insert" and self.opaque is None:
            object.__setattr__(self, "opaque", True)
        if self.role != "insert" and self.opaque is not None:
            raise JobError(f'opaque is given for the role "{self.role}"; expected it with role = "insert" only.')
        if (self.mesh is None) == (self.shape is None):
            raise JobError('expected either mesh = "file" or shape = { kind = ... }, not both and not neither.')
        positive("part", scale=self.scale)
        if self.wanted_dose is not None and not 1 < self.wanted_dose <= 100:
            raise JobError(
                f"wanted_dose is {self.wanted_dose}; expected gel doses, above 1 (at 1 the resin just turns solid), at "
                "most 100."
            )
        if self.wanted_dose is not None and self.role != "part":
            raise JobError(f'wanted_dose is given for the role "{self.role}"; expected it with role = "part" only.')
        if self.shape is not None:
            for f in fields(self):
                if (
                    f.name not in ("mesh", "shape", "role", "wanted_dose", "opaque")
                    and getattr(self, f.name) != f.default
                ):
                    raise JobError(f"{f.name} goes with a mesh; a shape has its own lengths and its place, at_mm.")
        if self.unit is not None and plain_unit(self.unit) not in MM_PER_UNIT:
            raise JobError(f"unit is {shown(self.unit)}; expected one of {', '.join(MM_PER_UNIT)}.")


@dataclass(frozen=True)
class Light:
    """The projector, as measured in the vial's place without it: pixel pitch, field, peak irradiance, bits, response.

    irradiance_mw_cm2   of a white pixel at the brightest place of the field, where illumination is given
    illumination    relative irradiance over the field, from a file (light_files.py); its name alone in a result
    dead_columns, dead_rows   that carry no light, counted from 0 at the left and at the top as the projector sees the
                    picture along its light
    numerical_aperture   of the light that forms the picture in the vial's place, in air: it widens away from the plane
                    of focus, and diffraction blurs it everywhere. Left out: neither is computed, and said not to be
    focus_mm        how far behind the turning axis, along the light, the plane of focus lies in the vial
    planes          one-bit frames of equal time in which each image is shown, with bits = 1 (export/planes.py)
    frame_rate_hz   at which the projector shows frames, for the check: planes are frames of their own
    axis_offset_pixels   how many columns the turning axis lies right of the field's middle, as the projector sees it
    flip, rotate_deg     of the frames that are exported: flipped first, then turned clockwise
    wavelength_nm   for the check: how far light spreads by diffraction
    pixel_shape     "square": light is even over the pixel's square; "linear": between two pixels' centres it changes
                    linearly. Left out: taken as linear, and said to be
    fill_factor     share of a square pixel's area that shines
    blur_mm         full width at half maximum of the lens's blur in the vial, where it is in focus. Left out: none,
                    and said to be
    """

    pixel_mm: float
    columns: int
    rows: int
    irradiance_mw_cm2: float
    beam: Beam = Telecentric()  # noqa: RUF009, frozen
    bits: int = 8
    response: Response = Linear()  # noqa: RUF009, frozen
    wavelength_nm: float | None = None
    pixel_shape: Literal["linear", "square"] | None = None
    fill_factor: float | None = None
    blur_mm: float | None = None
    numerical_aperture: float | None = None
    focus_mm: float | None = None
    illumination: FlatField | str | None = None
    dead_columns: tuple[int, ...] = ()
    dead_rows: tuple[int, ...] = ()
    axis_offset_pixels: float = 0.0
    flip: Literal["none", "left_right", "up_down"] = "none"
    rotate_deg: Literal[0, 90, 180, 270] = 0
    planes: int = 1
    frame_rate_hz: float | None = None

    def __post_init__(self) -> None:
        positive("light", pixel_mm=self.pixel_mm, columns=self.columns, rows=self.rows)
        positive("light", irradiance_mw_cm2=self.irradiance_mw_cm2, wavelength_nm=self.wavelength_nm)
        if self.wavelength_nm is not None and not WAVELENGTHS_NM[0] <= self.wavelength_nm <= WAVELENGTHS_NM[1]:
            raise JobError(
                f"wavelength_nm is {self.wavelength_nm:g}; expected {WAVELENGTHS_NM[0]:g} to {WAVELENGTHS_NM[1]:g}, in "
                "nm. Is it in um? Multiply it by 1000."
            )
        if not 1 <= self.bits <= 16:
            raise JobError(f"bits is {self.bits}; expected 1 to 16 bits per pixel.")
        if not 1 <= self.planes <= MAX_PLANES:
            raise JobError(f"planes is {self.planes}; expected 1 to {MAX_PLANES} one-bit frames an image.")
        if self.planes > 1 and self.bits != 1:
            raise JobError(
                f"planes is {self.planes} and bits is {self.bits}; expected planes with bits = 1 alone, the images of "
                "a projector that shows pixels on or off."
            )
        positive("light", frame_rate_hz=self.frame_rate_hz)
        if isinstance(self.response, Measured):
            self.response.require_bits(self.bits)
        for name, size in (("columns", self.columns), ("rows", self.rows)):
            dead = getattr(self, f"dead_{name}")
            if any(not 0 <= n < size for n in dead):
                raise JobError(
                    f"dead_{name} is {shown(list(dead))}; expected numbers of {name}, from 0 to {size - 1}, the first "
                    f"at the {'left' if name == 'columns' else 'top'}."
                )
            if len(set(dead)) == size:
                raise JobError(f"dead_{name} names all {size} {name}; expected some that carry light.")
        if not abs(self.axis_offset_pixels) < self.columns / 2:
            raise JobError(
                f"axis_offset_pixels is {self.axis_offset_pixels:g}, outside the field; expected less than half of its "
                f"{self.columns} columns to the right (above 0) or to the left of its middle (below 0)."
            )
        flat = self.illumination
        if isinstance(flat, FlatField):
            flat.require_fits(self.columns, self.rows)
        elif flat is not None and not isinstance(flat, str):
            raise JobError(f"illumination is {shown(flat)}; expected the name of a file.")
        self._check_pixel()

    @property
    def rows_spread(self) -> bool:
        """Whether rows of light spread with depth, and lie on no slices."""
        return isinstance(self.beam, Diverging)

    def _check_pixel(self) -> None:
        fill, blur = self.fill_factor, self.blur_mm
        if fill is not None and self.pixel_shape != "square":
            raise JobError(f'fill_factor is {fill:g}; expected pixel_shape = "square" beside it.')
        if fill is not None and not LEAST_FILL <= fill <= 1:
            raise JobError(
                f"fill_factor is {fill:g}; expected the share of a pixel's area that shines, {LEAST_FILL:g} to 1. "
                "Is it in percent?"
            )
        if blur is not None and not 0 <= blur <= MOST_BLUR * self.pixel_mm:
            raise JobError(
                f"blur_mm is {blur:g}; expected the full width at half maximum of a point's image in the vial, 0 to "
                f"{MOST_BLUR:g} pixels of {self.pixel_mm:g} mm. Is it in um?"
            )

        aperture, focus = self.numerical_aperture, self.focus_mm
        if aperture is not None and not 0 < aperture <= MOST_APERTURE:
            raise JobError(
                f"numerical_aperture is {aperture:g}; expected the sine of half the angle of the light's cone at the "
                f"vial, above 0, {MOST_APERTURE:g} at most. Is it an f-number N on that side? Take 1 / (2 N)."
            )
        if focus is not None and aperture is None:
            raise JobError(f"focus_mm is {focus:g}; expected numerical_aperture beside it.")

    @property
    def diffraction_mm(self) -> float:
        """Full width at half maximum of a point's image by diffraction alone, in focus: 0.51 lambda / NA.

        Source: the Airy pattern; Born & Wolf, Principles of Optics, section 8.5.2. 0 where no aperture is given.
        """
        if self.numerical_aperture is None:
            return 0.0
        return AIRY_FWHM * 1e-6 * (self.wavelength_nm or USUAL_NM) / self.numerical_aperture

    @property
    def footprint(self) -> Footprint:
        """How each pixel's light is spread in focus: the blur of lens and diffraction is a Gaussian."""
        blur_mm = math.hypot(self.blur_mm or 0.0, self.diffraction_mm)
        width, sigma = math.sqrt(self.fill_factor or 1.0), blur_mm / (FWHM_PER_SIGMA * self.pixel_mm)
        return Footprint(self.pixel_shape or "linear", width, sigma)

    def reach_pixels(self, index: float, away_mm: float) -> float:
        """How far from its centre a pixel's light goes within that distance from the axis, in a resin of this index."""
        pixel, defocus = self.footprint, self.defocus(index)
        if defocus is not None:
            out_of_focus = defocus.sigma_mm(away_mm + abs(defocus.focus_mm)) / self.pixel_mm
            pixel = replace(pixel, sigma=math.hypot(pixel.sigma, out_of_focus))
        return pixel.reach

    def defocus(self, index: float) -> Defocus | None:
        """How the light widens in a resin of this refractive index; None where no aperture is given."""
        if self.numerical_aperture is None:
            return None
        return Defocus(cone(self.numerical_aperture, index), self.focus_mm or 0.0)

    @property
    def level_bits(self) -> int:
        """Bits of the levels that an image can have: those of a pixel, or of the planes together, rounded down."""
        return self.bits if self.planes == 1 else (self.planes + 1).bit_length() - 1

    @property
    def columns_about_axis(self) -> float:
        """Width, in columns, of the part of the field that reaches as far on one side of the axis as on the other."""
        return self.columns - 2 * abs(self.axis_offset_pixels)

    @cached_property
    def relative_irradiance(self) -> Tensor | None:
        """(column, row) float64, lowest row first as in patterns: light of each pixel, relative to the brightest place;
        None where the job says nothing of it. Raises JobError where all are dark, and for values that were not read."""
        flat = self.illumination
        if isinstance(flat, str):
            raise JobError(f"illumination {shown(flat)} was not read; expected its values.")
        return relative_irradiance(flat, self.dead_columns, self.dead_rows, self.columns, self.rows)


def narrowing(light: Light, vial: Vial, resin: Resin) -> float:
    """Width of the light in the resin over that outside, where the beam is one of this program's."""
    if isinstance(light.beam, Diverging):
        return light.beam.narrowing(light.columns, light.pixel_mm, RoundVial.of(vial, resin))
    if vial.surroundings in (None, "matched") or not isinstance(light.beam, Telecentric):
        return 1.0
    return RoundVial.of(vial, resin).narrowing


def beam_width_mm(light: Light, vial: Vial, resin: Resin) -> float:
    """Twice the distance from the axis at which the last ray passes it, also where that is beyond the vial."""
    if isinstance(light.beam, Diverging):
        layers, off_mm = RoundVial.of(vial, resin), light.axis_offset_pixels * light.pixel_mm
        return light.beam.width_mm(light.columns, light.pixel_mm, layers, off_mm)
    return light.columns_about_axis * light.pixel_mm * narrowing(light, vial, resin)


def width_mm(light: Light, vial: Vial, resin: Resin) -> float:
    """Width of the light in the resin, as far as it reaches on both sides of the axis. That of the whole vial where all
    rays that can enter it do: more would miss."""
    width, inner = beam_width_mm(light, vial, resin), vial.inner_diameter_mm
    if vial.surroundings in (None, "matched") or not isinstance(light.beam, Telecentric | Diverging):
        return width
    return max(width, inner) if width >= 2 * RoundVial.of(vial, resin).addressable_mm else width


def magnifications(light: Light, vial: Vial, resin: Resin, reach_mm: float) -> tuple[float, float]:
    """Minimum and maximum magnification of the rows no further than `reach_mm` from the axis: (1, 1) for level ones."""
    if not isinstance(light.beam, Diverging):
        return 1.0, 1.0
    chords = light.beam.chords(
        angle_rad=torch.zeros(1, dtype=torch.float64),
        columns=light.columns,
        rows=light.rows,
        pixel_mm=light.pixel_mm,
        axis_offset_mm=-light.axis_offset_pixels * light.pixel_mm,
        vial=vial,
        resin=resin,
    )
    near = (chords.offset_mm.abs() <= reach_mm) & (chords.transmittance > 0)
    if chords.magnification is None or not bool(near.any()):
        return 1.0, 1.0
    first, last = near.nonzero()[[0, -1], 0].tolist()
    return chords.magnification.part(first, last + 1).range_within(chords.offset_mm[first : last + 1], reach_mm)


def height_mm(light: Light, vial: Vial, resin: Resin, reach_mm: float) -> float:
    """Height of the light within `reach_mm` of the axis, at the depth where it is least.

    Of a lens that is not at z = 0: twice the height on the side where that is less.
    """
    edge_mm = light.rows * light.pixel_mm / 2
    if not isinstance(light.beam, Diverging):
        return 2 * edge_mm
    pupil = light.beam.lens_height_mm
    limits = magnifications(light, vial, resin, reach_mm)
    top, bottom = (min(sign * pupil + (edge_mm - sign * pupil) * m for m in limits) for sign in (1, -1))
    return max(0.0, 2 * min(top, bottom))


@dataclass(frozen=True)
class Turn:
    """The turning stage. `sense` is how the vial turns, seen from above.

    motion   continuous: the vial keeps turning during an image, through the step centred on the image's angle;
             stepped: it stops for each image
    """

    angles: int
    seconds_per_turn: float
    sense: Literal["clockwise", "counterclockwise"] = "clockwise"
    motion: Literal["continuous", "stepped"] = "continuous"
    max_exposure_s: float | None = None

    def __post_init__(self) -> None:
        positive("turn", angles=self.angles, seconds_per_turn=self.seconds_per_turn, max_exposure_s=self.max_exposure_s)
        if self.max_exposure_s is not None and self.max_exposure_s < self.seconds_per_turn:
            raise JobError(
                f"max_exposure_s is {self.max_exposure_s}, less than one turn of {self.seconds_per_turn} s; "
                "expected one whole turn or more."
            )

    @property
    def longest_s(self) -> float:
        """Longest exposure allowed."""
        return self.max_exposure_s or LONGEST_S

    @property
    def dwell_s(self) -> float:
        return self.seconds_per_turn / self.angles

    @property
    def step_rad(self) -> float:
        """Change of the scan angle from image to image; the design's scan angle grows as the vial turns clockwise."""
        return (1 if self.sense == "clockwise" else -1) * 2 * math.pi / self.angles


@dataclass(frozen=True)
class GridTable:
    """`finer`: the print is judged once more on voxels this many times finer; 1 leaves that out.

    level_ends   on_rows: meshes whose flat bottom and top lie between two rows of pixels are moved onto rows, unless
                 the job shifts them along z; as_placed: they are not
    """

    voxel_mm: float
    margin_voxels: int = 2
    finer: int = 2
    level_ends: Literal["on_rows", "as_placed"] = "on_rows"

    def __post_init__(self) -> None:
        positive("grid", voxel_mm=self.voxel_mm)
        if not 1 <= self.finer <= 8:
            raise JobError(f"finer is {self.finer}; expected 1 (no finer grid) to 8, usually 2 or 3.")
        if self.margin_voxels < 0:
            raise JobError(f"margin_voxels is {self.margin_voxels}; expected 0 or more.")


@dataclass(frozen=True)
class Output:
    """`result`: the HDF5 file, relative to the job file; where left out the job's name, in the current folder."""

    result: str | None = None


@dataclass(frozen=True)
class Job:
    """A whole job file. Members of families are objects already; paths are relative to `folder`.

    notes   sentences on former names that were read as current ones (renamed.py)
    files   (name, SHA-256) of the files of [light] that were read with the job (light_files.py)
    """

    name: str
    folder: Path
    text: str
    parts: tuple[PartTable, ...]
    vial: Vial
    resin: Resin
    light: Light
    turn: Turn
    grid: GridTable
    design: Design = field(default_factory=Design)
    output: Output = field(default_factory=Output)
    notes: tuple[str, ...] = ()
    files: tuple[tuple[str, str], ...] = ()

    @property
    def width_mm(self) -> float:
        """Width of the light in the resin."""
        return width_mm(self.light, self.vial, self.resin)

    def height_mm(self, reach_mm: float) -> float:
        """Height of the light within `reach_mm` of the axis."""
        return height_mm(self.light, self.vial, self.resin, reach_mm)

    @property
    def tolerance_mm(self) -> float:
        """Width of the band along the surface that is not judged."""
        return self.design.tolerance_mm or self.design.tolerance_voxels * self.grid.voxel_mm

    @property
    def rounding_steps(self) -> int:
        """Max steps on choosing levels; 0 for graded parts, which specify doses instead of a window."""
        if self.design.rounding_iterations is not None:
            return self.design.rounding_iterations
        return 0 if any(part.wanted_dose is not None for part in self.parts) else ROUNDING_STEPS

    def path(self, name: str) -> Path:
        """A path of the job file: relative to the job file's own folder, absolute, or in a home folder (`~/`)."""
        return path_in(self.folder, name)

    @property
    def own(self) -> tuple[OwnMember, ...]:
        """Members from the user's Python files; none is run before `load`."""
        design = self.design
        asked = (design.loss, design.solver, design.start, *design.penalties, design.stop)
        return (*self.own_of_print, *(member for member in asked if isinstance(member, OwnMember)))

    @property
    def own_of_print(self) -> tuple[OwnMember, ...]:
        """Those that define the part, the resin and the light: the check needs them too."""
        asked = (*(part.shape for part in self.parts), self.resin, self.light.beam, self.light.response)
        return tuple(member for member in asked if isinstance(member, OwnMember))

    def load(self, *, design: bool = True) -> "Job":
        """This job with its Python files run, each once; without `design` only those of `own_of_print`.

        Raises JobError for what a family cannot use. Only load files that you trust.
        """
        for member in self.own if design else self.own_of_print:
            member.load()
        return self
