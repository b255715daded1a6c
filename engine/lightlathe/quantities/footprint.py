"""The light of one pixel: its shape in the plane of focus, blurred by a lens."""

from dataclasses import dataclass, replace
from typing import Literal

from lightlathe.errors import ShapeError

FWHM_PER_SIGMA = 2.3548200450309493  # 2 sqrt(2 ln 2), of a Gaussian


@dataclass(frozen=True)
class Footprint:
    """How a pixel's light is spread about its centre, across the columns and along the rows alike.

    shape        "linear": it falls linearly to the centres of the neighbours, so that between two pixels light changes
                 linearly; "square": it is even over a square
    width        side of the square over the pixel pitch, above 0 to 1: the square root of the fill factor
    sigma        standard deviation of the Gaussian blur over the pixel pitch, the same in all directions
    across_rows  False: no light leaves its row, whatever the pixel's height. For slices with a row of their own

    Light averages to the level shown, whatever the fill factor: irradiance is measured over many pixels.
    """

    shape: Literal["linear", "square"] = "linear"
    width: float = 1.0
    sigma: float = 0.0
    across_rows: bool = True

    def __post_init__(self) -> None:
        if not (0 < self.width <= 1 and 0 <= self.sigma < float("inf")):
            raise ShapeError(
                f"the footprint is {self.width} pixels wide, blurred by {self.sigma}; expected a width above 0, up to "
                "1, and a blur of 0 or more."
            )

    @property
    def plain(self) -> bool:
        """True for linear interpolation between pixels, without blur."""
        return self.shape == "linear" and self.sigma == 0

    @property
    def boxes(self) -> tuple[float, ...]:
        """Widths, in pixels, of the box functions whose convolution is the shape."""
        return (1.0, 1.0) if self.shape == "linear" else (self.width,)

    @property
    def variance(self) -> float:
        """Of the light about the pixel's centre, in one direction, in pixels squared."""
        return sum(width**2 for width in self.boxes) / 12 + self.sigma**2

    @property
    def reach(self) -> float:
        """Beyond this distance from a pixel's centre, in pixels, there is less than 1e-4 of its light."""
        return sum(self.boxes) / 2 + 4 * self.sigma

    def within_rows(self) -> "Footprint":
        """The same across the columns, with no light beyond its row."""
        return replace(self, across_rows=False)
