"""The surfaces of part and print for the turnable view, coloured by how far they lie apart.

Marching cubes at half the covered fraction, and at the gel dose of the dose itself, between voxel centres.
Source: W. E. Lorensen and H. E. Cline, Computer Graphics 21 (1987) 163; as scikit-image has it.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from lightlathe.report.page.libraries import marching_cubes
from lightlathe.report.page.packing import characters, packed, packed_indices
from lightlathe.report.page.pooled import centres_mm, means
from lightlathe.result import Record
from lightlathe.support.watching import doing

MOST_VERTICES = 200_000  # of one surface
ROOM = 3_000_000  # characters of all surfaces of a page
LARGE = 4_000_000  # voxels of the volume that marching cubes begins with
STEPS = 127  # of the colour scale on either side
NOTHING = 1e-6  # of the threshold: below, there is no surface


@dataclass(frozen=True)
class Surface:
    """A closed surface in the vial frame: (n, 3) mm, (m, 3) int, unit normals (n, 3) that point out of the solid."""

    vertices_mm: np.ndarray
    triangles: np.ndarray
    normals: np.ndarray


@doing("surfaces for the page")
def surfaces(record: Record, gel_mj_cm3: float, share: float = 1.0) -> dict[str, Any]:
    """Part, print and inserts as packed vertices, triangles and distances.

    Distances, of part and print: how far the print's surface lies outside (above 0, over-cure) or inside (below 0,
    under-cure) the part's, in mm, along the normal at the nearest vertex of the other surface.
    """
    step = 1
    while record.part.grid.voxels / step**3 > LARGE:
        step += 1
    while True:
        found = {name: _marched(record, name, gel_mj_cm3, step) for name in ("part", "print", "insert")}
        most = max((len(s.vertices_mm) for s in found.values() if s is not None), default=0)
        if most <= MOST_VERTICES:
            made = _packed(record, found, step)
            if characters(made) <= ROOM * share or min(record.part.grid.shape) <= 4 * step:
                return made
        step += 1


def apart_mm(surface: Surface, other: Surface) -> np.ndarray:
    """(n,) mm: how far each vertex of `surface` lies outside `other`, below 0 inside it.

    Along the normal at the nearest vertex, which is the distance to a flat surface exactly.
    """
    from scipy.spatial import KDTree

    away, nearest = KDTree(other.vertices_mm).query(surface.vertices_mm)
    along = ((surface.vertices_mm - other.vertices_mm[nearest]) * other.normals[nearest]).sum(1)
    return np.clip(along, -away, away)


def _marched(record: Record, name: str, gel_mj_cm3: float, step: int) -> Surface | None:
    """One of the surfaces, None where there is none."""
    part, voxel_mm = record.part, record.part.grid.voxel_mm
    if name == "insert" and part.insert is None:
        return None
    if name == "print":
        field = _print(record, gel_mj_cm3, step)
    elif name == "insert":
        assert part.insert is not None
        field = means(part.insert, step) - 0.5
    else:
        field = means(part.coverage, step) - (0 if part.insert is None else means(part.insert, step)) - 0.5
    first, each = zip(*(centres_mm(n, voxel_mm, step) for n in part.grid.shape), strict=True)
    return marched(field, first, each[0])


def _print(record: Record, gel_mj_cm3: float, step: int) -> np.ndarray:
    """The dose over the gel dose less 1, above 0 where the print is solid; below 0 in inserts, where nothing prints."""
    level = gel_mj_cm3 if gel_mj_cm3 > 0 else NOTHING
    field = means(record.prediction.dose, step) / level - 1
    return field if record.part.insert is None else np.where(means(record.part.insert, step) >= 0.5, -1.0, field)


def marched(field: np.ndarray, first_mm: tuple[float, ...], each_mm: float) -> Surface | None:
    """The surface on which `field` is 0; closed at the grid's ends. None where it has one sign."""
    padded = np.pad(np.asarray(field, np.float32), 1, constant_values=-1.0)
    if not padded.max() > 0:
        return None
    vertices, triangles, normals, _ = marching_cubes()(padded, 0.0, gradient_direction="ascent")
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = -normals / np.where(lengths > 0, lengths, 1)  # scikit-image's point the other way
    return Surface((vertices - 1) * each_mm + np.array(first_mm), triangles, _outward(vertices, triangles, normals))


def _outward(vertices: np.ndarray, triangles: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """The normals, all turned so that they point out of the volume that the triangles enclose."""
    a, b, c = (vertices[triangles[:, k]] for k in range(3))
    faces = np.cross(b - a, c - a)
    inside_out = (a * faces).sum() < 0
    agree = (faces * normals[triangles[:, 0]]).sum()
    return normals if (agree > 0) != inside_out else -normals


def _packed(record: Record, found: dict[str, Surface | None], step: int) -> dict[str, Any]:
    part, print_ = found["part"], found["print"]
    distances: dict[str, np.ndarray] = {}
    if part is not None and print_ is not None:
        distances = {"part": -apart_mm(part, print_), "print": apart_mm(print_, part)}
    each = record.part.grid.voxel_mm * step
    off = np.concatenate([np.abs(d) for d in distances.values()]) if distances else np.zeros(1)
    scale = max(each, math.ceil(10 * float(np.quantile(off, 0.999)) / each) * each / 10)
    half = [n * record.part.grid.voxel_mm / 2 + each for n in record.part.grid.shape]
    solids = {name: _solid(s, half, distances.get(name), scale) for name, s in found.items() if s is not None}
    return {"step": step, "each_mm": each, "scale_mm": scale, "half_mm": half, **solids}


def _solid(surface: Surface, half_mm: list[float], distance: np.ndarray | None, scale_mm: float) -> dict[str, Any]:
    """Vertices as 16 bits over the box, distances as 8 over the scale."""
    vertices = np.rint(surface.vertices_mm / np.array(half_mm) * 32_767).astype(np.int16)
    made = {"vertices": packed(vertices.T), "triangles": packed_indices(surface.triangles)}
    if distance is not None:
        made["distance"] = packed(np.rint(np.clip(distance / scale_mm, -1, 1) * STEPS).astype(np.int8))
    return made
