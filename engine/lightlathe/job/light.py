"""The [light] of a job: the projector, its pixels and its lens."""

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from torch import Tensor

from lightlathe.beams import Diverging, Telecentric
from lightlathe.errors import JobError, shown
from lightlathe.families import Beam, Response
from lightlathe.job.bounds import positive
from lightlathe.projector import FlatField, Linear, Measured, relative_irradiance
from lightlathe.quantities.defocus import Defocus, cone
from lightlathe.quantities.footprint import FWHM_PER_SIGMA, Footprint
from lightlathe.quantities.tilt import MOST_DEG, Tilt

LEAST_FILL = 0.1  # of a pixel that shines; micromirrors have 0.9 and more, liquid crystals 0.5 (from memory)
MOST_APERTURE = 0.5  # no projector lens has more on the side of the vial (from memory)
USUAL_NM = 405.0  # of most projectors for resin; taken where a job names no wavelength
AIRY_FWHM = 0.51
MOST_BLUR = 20.0  # pixels: no picture is left
MAX_PLANES = 255  # levels of 8 bits; a projector of one bit shows some 24 a video frame
WAVELENGTHS_NM = (200.0, 2000.0)  # glass and resin let nothing shorter through, and nothing longer starts a cure


@dataclass(frozen=True)
class Light:
    """The projector, as measured in the vial's place without it: pixel pitch, field, peak irradiance, bits, response.

    irradiance_mw_cm2   of a white pixel at the brightest place of the field, where illumination is given
    illumination    relative irradiance over the field, from a file (light_files.py); its name alone in a result
    dead_columns, dead_rows   that carry no light, counted from 0 at the left and at the top as the projector sees the
                    picture along its light
    numerical_aperture   of the light that forms the picture in the vial's place, in air: it widens away from the plane
                    of focus, and diffraction blurs it everywhere. Left out: neither is computed, and said not to be
    focus_mm        how far behind the turning axis, along the light, the plane of focus lies in the vial; before a
                    bare vial, where it would lie without the vial, and there 0 alone
    planes          one-bit frames of equal time in which each image is shown, with bits = 1 (export/planes.py)
    frame_rate_hz   at which the projector shows frames, for the check: planes are frames of their own
    axis_offset_pixels   how many columns the turning axis lies right of the field's middle, as the projector sees it
    axis_tilt_deg   of the turning axis in the picture, above 0 where it leans to the right towards the top; it crosses
                    the middle of the field's height at axis_offset_pixels
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
    axis_tilt_deg: float = 0.0
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
        if not abs(self.axis_tilt_deg) <= MOST_DEG:
            raise JobError(
                f"axis_tilt_deg is {self.axis_tilt_deg:g}; expected the angle between the turning axis and the columns "
                f"of the picture, {MOST_DEG:g} degrees or less to the right (above 0) or to the left. Is the projector "
                "on its side? Then rotate_deg turns its frames."
            )
        flat = self.illumination
        if isinstance(flat, FlatField):
            flat.require_fits(self.columns, self.rows)
        elif flat is not None and not isinstance(flat, str):
            raise JobError(f"illumination is {shown(flat)}; expected the name of a file.")
        self._check_pixel()

    def tilt(self, axis_offset_mm: float = 0.0) -> Tilt | None:
        """The tilt of the axis; None where it has none.

        axis_offset_mm   how far the middle column misses the axis beyond axis_offset_pixels
        """
        if self.axis_tilt_deg == 0:
            return None
        return Tilt(math.radians(self.axis_tilt_deg), self.axis_column(axis_offset_mm), self.pixel_mm)

    def axis_column(self, axis_offset_mm: float = 0.0) -> float:
        """Where the axis crosses the middle of the field's height, in columns from the first one's centre."""
        return (self.columns - 1) / 2 + self.axis_offset_pixels - axis_offset_mm / self.pixel_mm

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
        """How far from its centre a pixel's light goes within that distance from its focus, in resin of this index."""
        pixel, defocus = self.footprint, self.defocus(index)
        if defocus is not None:
            out_of_focus = defocus.sigma_mm(away_mm) / self.pixel_mm
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
