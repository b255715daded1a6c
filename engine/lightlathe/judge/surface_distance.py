"""How far the surface of the print lies from the surface wanted.

Both ways: from print to part, which shows material too much or too little, and from part to print, since a feature
that is missing altogether shows in that alone.
"""

import math
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from lightlathe.judge.level_set import SurfacePoints, crossings
from lightlathe.quantities import HALF, IGNORED, FineShape, Part, TriangleMesh, Volume
from lightlathe.support.watching import doing

MOST_COMPARED = 20_000  # points of either surface that are compared with the other one
MOST_MET = 250_000  # points of either surface that these are compared with
NEAREST = 3  # samples next to a point whose triangles are looked at
MORE = 24  # so many where these lie farther than the disc about the nearest one: slivers, edges
DOUBT = 0.05  # by so much of the samples' spacing
TIE = 1e-6  # triangles as near as the nearest but for this share of it, and of the spacing, share an edge there
PLACED = 1e-3  # of the points' spacing: places closer to each other, and distances, count as the same
FULL = 0.99  # covered fraction of a voxel in which no surface lies
NAN = float("nan")
NAMES = ("mean", "95", "max", "max_x", "max_y", "max_z", "bias", "part_to_print_max")


@dataclass(frozen=True, eq=False)
class Wanted:
    """The surface that a print should have: the part's, and that of inserts, where the print ends as well."""

    part: SurfacePoints
    inserts: SurfacePoints | None = None

    def distance_mm(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n,): signed distance of points (n, 3) in the vial from the nearer of the two, above 0 outside the print."""
        found = signed_distance(points_mm, self.part)
        if self.inserts is None or not len(self.inserts):
            return found
        beside = -signed_distance(points_mm, self.inserts)
        return np.where(np.abs(beside) < np.abs(found), beside, found)


def wanted_surface(part: Part, mesh: TriangleMesh | None) -> Wanted:
    """Points of the surface wanted, spread evenly over the mesh's area; None of what is not judged.

    Without a mesh, where the covered fraction of the part's voxels passes one half: within 0.1 voxels of flat faces,
    corners rounded by about half a voxel, and nothing of what is thinner than a voxel.
    Left out are points in voxels that are not judged (outside the vial) or hold some of an insert and, where solids
    overlap, inside the part.
    """
    judged = part.judged if part.whole is None else part.whole
    inserts = None
    if part.insert is not None:
        inserts = crossings(part.insert, HALF, part.grid, None, MOST_MET, fractions=True)
    if mesh is None:
        return Wanted(crossings(part.coverage, HALF, part.grid, judged, MOST_MET, fractions=True), inserts)
    found = _spread(mesh, (part.grid.voxel_mm / 2) ** 2)
    at = _voxel_of(found.points_mm, part)
    outside = _voxel_of(found.points_mm + found.normals * part.grid.voxel_mm, part)
    buried = (part.coverage[at] > FULL) & (part.coverage[outside] > FULL)
    keep = (judged[at] != IGNORED) & ~buried
    if part.insert is not None:
        keep &= part.insert[at] == 0
    return Wanted(found.kept(keep.cpu().numpy()), inserts)


def crossings_of(dose: Volume, gel_mj_cm3: float, part: Part | FineShape) -> SurfacePoints:
    """Points of the print's surface: where a dose (x, y, z), mJ/cm3, linear between centres, passes the gel dose."""
    judged = part.judged if isinstance(part, FineShape) or part.whole is None else part.whole
    return crossings(dose, gel_mj_cm3, part.grid, judged, MOST_MET)


@doing("comparing surfaces")
def surface_figures(print_: SurfacePoints, wanted: Wanted, suffix: str = "") -> dict[str, float]:
    """Distances between the surface where the dose passes the gel dose and the wanted one, mm, by name.

    surface_mean_mm    mean of |d| from print to part, by area, and of that from part to print: the mean of the two
    surface_95_mm      95 % of the area lie no further from the other surface; the larger of the two ways
    surface_max_mm     the largest found, either way (of all points it would be the Hausdorff distance)
    surface_max_x_mm, _y_mm, _z_mm      where, in the vial's frame
    surface_bias_mm    mean of d from print to part, by area; above 0 outside: the print is too fat
    surface_part_to_print_max_mm        the largest from part to print: above the other way's, something is missing

    print_   of `crossings_of`, or of Crossings where the dose comes in slabs
    wanted   of `wanted_surface`
    From a print's point d is the distance to the nearest of the mesh's triangles that the samples next to it lie on.
    From the part's points, and without a mesh, it is that to a disc about the nearest point of the other surface,
    square to its normal and as wide as its points are apart. Beside an insert d is the distance from the insert.
    Bounded: MOST_COMPARED points of either surface, drawn at random, the same in every run, against MOST_MET of the
    other; below that all of them. NaN where nothing turns solid or nothing is wanted.
    Source   P. Cignoni, C. Rocchini, R. Scopigno, Computer Graphics Forum 17 (1998) 167:
             distances from samples of either surface to the other (from memory).
    """
    if not len(print_) or not len(wanted.part):
        return {f"surface_{name}_mm{suffix}": NAN for name in NAMES}
    here, there = print_.some(MOST_COMPARED), wanted.part.some(MOST_COMPARED)
    off = wanted.distance_mm(here.points_mm)
    missing = np.abs(signed_distance(there.points_mm, print_))
    both = ((np.abs(off), here), (missing, there))
    far, where = max((_farthest(d, points) for d, points in both), key=lambda found: found[0])
    values = (
        float(np.mean([np.average(d, weights=points.area) for d, points in both])),
        max(_quantile(d, points.area, 0.95) for d, points in both),
        float(far),
        *(float(v) for v in where),
        float(np.average(off, weights=here.area)),
        float(missing.max()),
    )
    return {f"surface_{name}_mm{suffix}": value for name, value in zip(NAMES, values, strict=True)}


@doing("measuring the surface")
def distances_from(points_mm: NDArray[np.float64], part: Part, mesh: TriangleMesh | None) -> NDArray[np.float64]:
    """(n,) mm: signed distance of points (n, 3) of the vial from the surface wanted, above 0 outside the part."""
    wanted = wanted_surface(part, mesh)
    if not len(wanted.part):
        return np.full(len(points_mm), NAN)
    pieces = [points_mm[n : n + MOST_MET] for n in range(0, len(points_mm), MOST_MET)]
    return np.concatenate([wanted.distance_mm(piece) for piece in pieces])


def signed_distance(points_mm: NDArray[np.float64], surface: SurfacePoints) -> NDArray[np.float64]:
    """(n,) mm: distance of points (n, 3) from a surface, above 0 on the side that its normals point to; see
    `surface_figures`."""
    from scipy.spatial import KDTree

    tree = KDTree(surface.points_mm, balanced_tree=False, compact_nodes=False)  # built faster, as quick to ask here
    _, nearest = tree.query(points_mm, k=NEAREST, workers=torch.get_num_threads())
    nearest = np.minimum(nearest, len(surface) - 1)
    from_disc = _from_disc(points_mm, surface, nearest[:, 0])
    if surface.triangles is None:
        return from_disc
    found = _from_triangles(points_mm, surface, nearest)
    doubtful = np.flatnonzero(np.abs(found) > np.abs(from_disc) + DOUBT * surface.spacing_mm)
    if len(doubtful):
        few = points_mm[doubtful]
        _, more = tree.query(few, k=MORE, workers=torch.get_num_threads())
        found[doubtful] = _from_triangles(few, surface, np.minimum(more, len(surface) - 1))
    return found


def _from_disc(points: NDArray[np.float64], surface: SurfacePoints, nearest: NDArray[np.int64]) -> NDArray[np.float64]:
    """Distance to a disc about one of the surface's points, as wide as they are apart, square to its normal."""
    away = points - surface.points_mm[nearest]
    up = np.einsum("ij,ij->i", away, surface.normals[nearest])
    across = np.sqrt(np.maximum(np.einsum("ij,ij->i", away, away) - up**2, 0))
    return np.where(up < 0, -1.0, 1.0) * np.hypot(up, np.maximum(across - surface.spacing_mm, 0))


def _from_triangles(
    points: NDArray[np.float64], surface: SurfacePoints, nearest: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Distance to the nearest of the triangles that some samples, (n, k), lie on.

    Where two are as near, at a shared edge or corner, the one whose plane is farthest says on which side a point is.
    """
    assert surface.triangles is not None
    best = np.full(len(points), np.inf)
    up = np.zeros(len(points))
    for column in nearest.T:
        distance, height = _from_triangle(points, surface.triangles[column], surface.normals[column])
        tie = TIE * (np.minimum(best, distance) + surface.spacing_mm)
        better = (distance < best - tie) | ((distance <= best + tie) & (np.abs(height) > np.abs(up)))
        up = np.where(better, height, up)
        best = np.minimum(best, distance)
    return np.where(up < 0, -best, best)


def _from_triangle(
    points: NDArray[np.float64], triangles: NDArray[np.float64], normals: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n,) distance of each point from its triangle, and height above the triangle's plane.

    The height's size where the foot lies within all three edges, else the distance to the nearest edge.
    """
    height = np.einsum("ij,ij->i", points - triangles[:, 0], normals)
    inside = np.ones(len(points), bool)
    nearest = np.full(len(points), np.inf)
    for start, end in ((0, 1), (1, 2), (2, 0)):
        edge, away = triangles[:, end] - triangles[:, start], points - triangles[:, start]
        inside &= np.einsum("ij,ij->i", np.cross(normals, edge), away) >= 0
        length = np.maximum(np.einsum("ij,ij->i", edge, edge), np.finfo(float).tiny)
        along = np.clip(np.einsum("ij,ij->i", edge, away) / length, 0, 1)
        beside = away - along[:, None] * edge
        nearest = np.minimum(nearest, np.einsum("ij,ij->i", beside, beside))
    return np.where(inside, np.abs(height), np.sqrt(nearest)), height


def _spread(mesh: TriangleMesh, each_mm2: float) -> SurfacePoints:
    """Points evenly over the area of a mesh, one in `each_mm2`, at most MOST_MET; the same in every run.

    Along the faces by steps of equal area; within a face by an additive sequence of the plastic number (M. Roberts,
    "The unreasonable effectiveness of quasirandom sequences", 2018). A face too small for one has its middle, which
    stands for no area.
    """
    triangles = mesh.triangles
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    total = np.cumsum(twice / 2)
    number = int(min(MOST_MET, max(1000, math.ceil(total[-1] / each_mm2))))
    steps = np.arange(number)
    face = np.minimum(np.searchsorted(total, (steps + 0.5) / number * total[-1]), len(total) - 1)
    u, v = (0.5 + steps * 0.7548776662466927) % 1, (0.5 + steps * 0.5698402909980532) % 1
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    missed = np.flatnonzero((np.bincount(face, minlength=len(total)) == 0) & (twice > 0))
    weights = np.concatenate([np.stack([1 - u - v, u, v], axis=1), np.full((len(missed), 3), 1 / 3)])
    face = np.concatenate([face, missed])
    points = np.einsum("ij,ijk->ik", weights, triangles[face])
    area = np.concatenate([np.ones(number), np.zeros(len(missed))])
    spacing_mm = 2 * math.sqrt(total[-1] / number)
    return SurfacePoints(points, cross[face] / twice[face, None], area, spacing_mm, triangles[face])


def _voxel_of(points_mm: NDArray[np.float64], part: Part) -> tuple[Tensor, ...]:
    """The voxel that each point lies in, the nearest one of points beyond the grid."""
    found = []
    for axis, n in enumerate(part.grid.shape):
        index = np.floor(points_mm[:, axis] / part.grid.voxel_mm + n / 2).astype(np.int64)
        found.append(torch.from_numpy(index.clip(0, n - 1)).to(part.coverage.device))
    return tuple(found)


def _farthest(distance: NDArray[np.float64], points: SurfacePoints) -> tuple[float, NDArray[np.float64]]:
    """The largest distance and its place: of places as far but for rounding the first by x, then y, then z."""
    far = float(distance.max())
    unit = PLACED * points.spacing_mm
    places = points.points_mm[distance >= far - unit]
    return far, places[np.lexsort(np.rint(places / unit).T[::-1])[0]]


def _quantile(values: NDArray[np.float64], weights: NDArray[np.float64], share: float) -> float:
    """The value that a share of the weight does not exceed."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, share * total[-1])])
