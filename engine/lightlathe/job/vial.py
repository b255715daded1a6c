"""The [vial]: its size, its wall, and what surrounds it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from lightlathe.errors import JobError
from lightlathe.job.bounds import positive

AIR, WATER = 1.0, 1.343  # water at 20 C, 405 nm (Daimon & Masumura, Appl. Opt. 46 (2007) 3811); 1.340 at 450 nm
INDICES = {"air": AIR, "water": WATER}
DENSEST = 2.5  # no clear liquid has 1.9, no glass for vials 2
GLASS = "borosilicate glass has 1.48, soda-lime glass 1.54, acrylic 1.51 at 405 nm"


def missing_for_rays(vial: Mapping[str, Any], resin: Any) -> dict[str, str]:
    """The keys without which rays through a vial in other surroundings than a matched bath are not known, and what is
    expected of each; of tables as TOML gives them."""
    around = vial.get("surroundings")
    if around not in tuple(INDICES) and not isinstance(around, int | float):
        return {}
    wanted = {
        "wall_mm in [vial]": "the thickness of its wall in mm, 0 for a film too thin to matter",
        "wall_index in [vial]": f"the wall's refractive index: {GLASS}",
        "refractive_index in [resin]": "the liquid resin's at the printing wavelength, about 1.5",
    }
    given = {"wall_mm in [vial]": vial.get("wall_mm") is not None}
    given["wall_index in [vial]"] = vial.get("wall_index") is not None or vial.get("wall_mm") == 0
    given["refractive_index in [resin]"] = not isinstance(resin, Mapping) or resin.get("refractive_index") is not None
    return {name: words for name, words in wanted.items() if not given[name]}


@dataclass(frozen=True)
class Vial:
    """A round vial.

    surroundings   what the light comes from: "matched" (a bath of the resin's index), "air", "water", or an index.
                   Left out: a matched bath is assumed, and said to be
    wall_mm, wall_index   of its wall, for rays that refract; with "matched" a wall left out has the resin's index too
    shape          "round" alone is computed; "square" is refused with the reason
    """

    inner_diameter_mm: float
    resin_height_mm: float
    surroundings: float | Literal["matched", "air", "water"] | None = None
    wall_mm: float | None = None
    wall_index: float | None = None
    shape: Literal["round", "square"] = "round"

    def __post_init__(self) -> None:
        positive("vial", inner_diameter_mm=self.inner_diameter_mm, resin_height_mm=self.resin_height_mm)
        if self.shape == "square":
            raise JobError(
                'shape is "square"; expected "round". The faces of a square vial turn with the resin, so its light '
                "takes other paths at every angle, and some of it none; here all angles share one set of paths. Use a "
                'round vial, or stand the square one in a bath of the resin\'s index and give surroundings = "matched" '
                'and shape = "round", with the diameter of the largest circle inside it.'
            )
        for name, value in (("surroundings", self.surroundings), ("wall_index", self.wall_index)):
            if isinstance(value, int | float) and not 1 <= value <= DENSEST:
                raise JobError(f"{name} is {value:g}; expected a refractive index from 1 (air) to {DENSEST:g}.")
        self._check_wall()

    def _check_wall(self) -> None:
        wall, index, around = self.wall_mm, self.wall_index, self.surroundings
        if wall is not None and not 0 <= wall <= self.inner_diameter_mm:
            raise JobError(
                f"wall_mm is {wall:g}; expected the thickness of the wall, 0 to the vial's inner diameter of "
                f"{self.inner_diameter_mm:g} mm. Is it the outer diameter, or in um?"
            )
        if around is None and not (wall is None and index is None):
            raise JobError(
                f"{'wall_mm' if index is None else 'wall_index'} is given and surroundings is not: what the wall does "
                'to light depends on both. Expected surroundings = "air", "water", "matched" or an index beside it.'
            )
        if around not in (None, "matched") and wall is None:
            raise JobError(
                f"surroundings is {around!r} and wall_mm is missing: the wall turns the rays too. Expected its "
                "thickness in mm; 0 for a film that is too thin to matter."
            )
        if index is None and wall and around != "matched":
            raise JobError(f"wall_mm is {wall:g} and wall_index is missing; expected its index: {GLASS}.")
        if index is not None and not wall:
            raise JobError(
                f"wall_index is {index:g} and wall_mm is {wall}; expected the thickness of that wall in mm, or no "
                "wall_index."
            )

    @property
    def radius_mm(self) -> float:
        return self.inner_diameter_mm / 2

    def index_outside(self, resin_index: float) -> float:
        """Refractive index of what surrounds the vial."""
        around = self.surroundings
        if around is None or around == "matched":
            return resin_index
        return INDICES[around] if isinstance(around, str) else around

    def index_of_wall(self, resin_index: float) -> float:
        return resin_index if self.wall_index is None else self.wall_index
