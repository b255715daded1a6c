"""How a pixel's light widens away from the plane of focus."""

import math
from dataclasses import dataclass, replace

from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import ShapeError


@dataclass(frozen=True)
class Defocus:
    """Light of a lens with an aperture: a cone that narrows to a point in the plane of focus.

    per_mm     radius of the cone over the distance from that plane, in the resin
    focus_mm   where the plane lies: t on its way through the vial, 0 at the turning axis, above 0 behind it

    A point's image is a disc of that radius, taken as a Gaussian of the same variance: radius^2 / 4 in one direction.
    """

    per_mm: float
    focus_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (0 <= self.per_mm < math.inf and math.isfinite(self.focus_mm)):
            raise ShapeError(
                f"light widens by {self.per_mm} from a plane of focus at {self.focus_mm} mm; expected 0 or more, and a "
                "finite place."
            )

    def sigma_mm(self, away_mm: float) -> float:
        """Standard deviation of the Gaussian at that distance from the plane of focus."""
        return abs(away_mm) * self.per_mm / 2


@dataclass(frozen=True, eq=False)
class Astigmatism:
    """The same behind a bare round vial, a lens across the axis and a plate along it, for a picture that is in focus on
    the axis without the vial.

    per_mm     radius of the cone along z over the distance from the focus along z, in the resin
    focus_mm   (column,) float64, where that lies on each chord: t, 0 where the chord comes nearest to the axis
    turn_rad   standard deviation of the directions across the axis, outside. A ray that meets the picture on the axis'
               plane at another angle is that of an image at another scan angle, whatever the vial, so nothing else
               needs to be known of them

    Source: the rays of a circularly symmetric vial are the same from all sides; along z n sin(elevation) is kept.
    """

    per_mm: float
    focus_mm: Tensor
    turn_rad: float

    def __post_init__(self) -> None:
        has_axes("focus_mm", self.focus_mm, ("column",), self.focus_mm.shape[:1])
        if not (0 <= self.per_mm < math.inf and 0 <= self.turn_rad < math.inf and bool(self.focus_mm.isfinite().all())):
            raise ShapeError(
                f"light widens by {self.per_mm} along z and by {self.turn_rad} rad across; expected 0 or more, and a "
                "finite focus on every chord."
            )

    def lit(self, first: int, end: int) -> "Astigmatism":
        """That of the columns first to end."""
        return replace(self, focus_mm=self.focus_mm[first:end])


def cone(numerical_aperture: float, index: float) -> float:
    """Radius over distance in a medium of this index of light with this numerical aperture: NA / sqrt(n^2 - NA^2).

    Snell's law keeps n sin(angle) through plane surfaces, so the aperture in air is that in the resin.
    """
    return numerical_aperture / math.sqrt(index**2 - numerical_aperture**2)
