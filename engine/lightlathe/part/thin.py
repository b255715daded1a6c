"""Walls too thin for the voxels: where, how thin, and the voxel size that would resolve them.

Lines along x, y and z enter and leave the solid. Where the two facets at the ends of a segment face away from each
other, the segment crosses a wall, whose thickness is the segment's length times the cosine between line and wall
normal. Every wall is crossed steeply by the lines of one axis or more.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightlathe.families import Shape
from lightlathe.part.surface import Surface
from lightlathe.quantities import Grid
from lightlathe.support.watching import doing
from lightlathe.support.words import amount

ACROSS = 300  # lines over the longest side; a wall must be met by SEEN of them
SEEN = 3
HUGE = 1e4  # times the part: corners are then accurate to 1/128 of the line spacing
STEEP = 0.57  # cosine between line and wall; just below 1/sqrt(3), so that no wall is flat to all three axes
OPPOSITE = 0.9  # cosine between one side's normal and the other's turned round (25 degrees): a wall, not an edge
NOTHING_MM = 1e-5  # of a wall that tapers to an edge; below light's wavelength by far
APART = 1.3  # walls whose thicknesses differ by more than this ratio, with none between, are told apart ...
SMALL = 0.05  # ... unless they differ by less than this share of a voxel
SLIVER = 0.1  # of a voxel: by 0.006 mm 64 facets miss a circle of 5 mm radius
EDGES = 0.01  # share of the wall area that the thinnest wall leaves out: feather edges taper to nothing


@dataclass(frozen=True)
class Wall:
    """Walls of about one thickness, or one that tapers: thinnest, half of the area, thickest, and where it is thinnest
    (in the vial's frame). The area is NaN for an analytic shape, which states its thinnest wall and no more."""

    thickness_mm: float
    middle_mm: float
    thickest_mm: float
    area_mm2: float
    at_mm: tuple[float, float, float]

    def sentence(self, voxel_mm: float) -> str:
        """The effect of voxels of `voxel_mm` on these walls, and the voxel size that would resolve them."""
        if self.thickest_mm < voxel_mm / 2:
            fate = "vanish"
        elif self.thickness_mm < voxel_mm / 2:
            fate = "vanish or break up"
        else:
            fate = "may break up"
        x, y, z = self.at_mm
        area = "" if math.isnan(self.area_mm2) else f"{amount(self.area_mm2, 3)} mm2 of them, "
        where = f"{area}thinnest near x = {amount(x, 3)}, y = {amount(y, 3)}, z = {amount(z, 3)}"
        thick = f"{amount(self.thickness_mm, 3)} mm thick"
        held = f"a voxel of {amount(self.thickness_mm, 3)} mm or less would hold them"
        if self.thickest_mm > APART * self.thickness_mm:
            least = f"{amount(self.thickness_mm, 3)} to " if self.thickness_mm > NOTHING_MM else "up to "
            thick = f"{least}{amount(self.thickest_mm, 3)} mm thick"
            held = f"a voxel of {amount(self.middle_mm, 3)} mm or less would hold half of them"
        return f"Walls {thick} ({where}) are thinner than a voxel of {amount(voxel_mm, 3)} mm and {fate}; {held}."


@dataclass(frozen=True)
class ThinReport:
    """thinnest_mm: the thinnest wall (NaN where none was found; a hundredth of the wall area, feather edges, is left
    out); thin: all walls thinner than a voxel, thinnest first."""

    thinnest_mm: float
    voxel_mm: float
    thin: tuple[Wall, ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """One sentence for each kind of thin wall."""
        return tuple(wall.sentence(self.voxel_mm) for wall in self.thin)


@doing("looking for thin walls")
def thin_walls(solid: Surface | Shape, grid: Grid, inserts: Sequence[Surface | Shape] = ()) -> ThinReport:
    """Thinnest wall of a placed part, and the walls thinner than a voxel of `grid`.

    inserts   solids in the vial already: what they fill of the part is not printed, and a wall ends where they begin.
              One more than HUGE times the part's size is left out: rounding would move its facets between the lines

    A wall is found if three of the 300 lines over the part's longest side meet it. Of a curved wall
    only what lies within 25 degrees of its other side counts.
    """
    limit = grid.voxel_mm * (1 - 1e-6)  # a wall of one voxel is not thin, whatever the last bit says
    low, high = solid.bounds_mm
    max_extent = HUGE * float(np.ptp(solid.bounds_mm, axis=0).max())
    inside = [
        i
        for i in inserts
        if bool((i.bounds_mm[0] < high).all() and (i.bounds_mm[1] > low).all())
        and np.ptp(i.bounds_mm, axis=0).max() < max_extent
    ]
    if not (isinstance(solid, Surface) or inside):
        t = solid.thinnest_mm
        thin = (Wall(t, t, t, math.nan, solid.at_mm),) if t < limit else ()
        return ThinReport(t, grid.voxel_mm, thin)
    thickness, area, place = _stretches(_closed(solid), [_closed(insert) for insert in inside], SLIVER * grid.voxel_mm)
    order = np.argsort(thickness, kind="stable")
    thickness, area, place = thickness[order], area[order], place[order]
    under = int(np.searchsorted(thickness, limit))
    next_apart = np.maximum(APART * thickness[:under], thickness[:under] + SMALL * grid.voxel_mm)
    breaks = np.flatnonzero(thickness[1:under] > next_apart[:-1]) + 1
    groups = [g for g in np.split(np.arange(under), breaks) if len(g) >= SEEN]
    return ThinReport(
        thinnest_mm=_quantile(thickness, area, EDGES),
        voxel_mm=grid.voxel_mm,
        thin=tuple(_wall(thickness[g], area[g], place[g]) for g in groups),
    )


def _wall(thickness: NDArray[np.float64], area: NDArray[np.float64], place: NDArray[np.float64]) -> Wall:
    x, y, z = (float(v) for v in place[0])
    middle = _quantile(thickness, area, 0.5)
    return Wall(float(thickness[0]), middle, float(thickness[-1]), float(area.sum()), (x, y, z))


def _quantile(thickness: NDArray[np.float64], area: NDArray[np.float64], share: float) -> float:
    """Thickness below which `share` of the area lies; thickness is sorted."""
    if len(thickness) < SEEN:
        return math.nan
    total = np.cumsum(area)
    return float(thickness[np.searchsorted(total, share * total[-1])])


def _closed(solid: Surface | Shape) -> NDArray[np.float64]:
    """(f, 3, 3) mm: the facets of a solid, its holes closed by caps."""
    if not isinstance(solid, Surface):
        return solid.triangles()
    from lightlathe.part.openings import caps

    points, closing = caps(solid.vertices_mm, solid.faces)
    return points[np.concatenate([solid.faces, closing])]


def _stretches(
    part: NDArray[np.float64], inserts: Sequence[NDArray[np.float64]], sliver_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Thickness, area and middle of every stretch of line in the part, outside all inserts, that crosses a wall.

    part, inserts   (f, 3, 3) closed facets
    sliver_mm       what is no thicker and ends at an insert is no wall: two facetings of one face do not quite meet
    """
    from lightlathe.part.crossings import crossings

    points = np.concatenate([part, *inserts])
    own = np.arange(len(points)) < len(part)
    normals = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), np.finfo(float).tiny)
    normals[~own] *= -1  # the solid lies outside an insert
    low, high = part.min((0, 1)), part.max((0, 1))
    pitch = float((high - low).max()) / ACROSS
    found = []
    for axis in range(3):
        order = [(axis + 1) % 3, (axis + 2) % 3, axis]  # the line's axis last; even permutations keep handedness
        line, height, side, facet = crossings(((points - low) / pitch)[:, :, order], ACROSS)
        # closed with caps: every line leaves all it enters, and counts start anew at 0
        n, blocked = np.cumsum(side * own[facet]), np.cumsum(side * ~own[facet])
        within = (n >= 1) & (blocked < 1)
        before = np.concatenate([[False], within[:-1]])
        enters, leaves = np.flatnonzero(within & ~before), np.flatnonzero(before & ~within)
        one, other = normals[facet[enters]], normals[facet[leaves]]
        steep = (np.abs(one[:, axis]) + np.abs(other[:, axis])) / 2
        wall = (-np.einsum("ij,ij->i", one, other) > OPPOSITE) & (steep > STEEP)
        chord = (height[enters] - height[leaves]) * pitch
        middle = np.empty((len(enters), 3))
        middle[:, order[:2]] = (line[enters] + 0.5) * pitch
        middle[:, axis] = (height[enters] + height[leaves]) / 2 * pitch
        at_insert = ~(own[facet[enters]] & own[facet[leaves]])
        wall &= chord * steep > np.where(at_insert, sliver_mm, 0.0)
        found.append((chord[wall] * steep[wall], pitch**2 / steep[wall], middle[wall] + low))
    thickness, area, place = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return thickness, area, place
