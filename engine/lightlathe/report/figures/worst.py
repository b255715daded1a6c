"""The places that turn out wrong, as a table: where, how large, what, by how much."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from lightlathe.quantities import LIQUID, SOLID
from lightlathe.report.figures.scene import Scene

WHAT = {SOLID: "liquid by mistake", LIQUID: "solid by mistake"}
NEAREST = {SOLID: "lowest dose in the part", LIQUID: "highest dose around it"}
HEAD = (
    "what", "x [mm]", "y [mm]", "z [mm]", "volume [mm3]", "voxels", "size x [mm]", "size y [mm]", "size z [mm]",
    "depth [mm]", "dose [mJ/cm3]", "dose / gel dose [1]",
)  # fmt: skip
ROWS = 1000  # the largest places, at most


def nearest_to_wrong(scene: Scene) -> list[tuple]:
    """A row (HEAD) for the voxel of the job's grid with the lowest dose in the part, and with the highest around it."""
    found: dict[int, tuple[float, tuple[int, ...]]] = {}
    for i, (dose, judged) in enumerate(zip(scene.dose, scene.judged, strict=True)):
        for value, sign in ((SOLID, 1), (LIQUID, -1)):
            signed = np.where(judged == value, sign * dose, np.inf)
            j, k = np.unravel_index(signed.argmin(), signed.shape)
            if signed[j, k] < found.get(value, (np.inf, ()))[0]:
                found[value] = float(signed[j, k]), (i, int(j), int(k))
    size, middle, rows = scene.grid.voxel_mm, (np.array(scene.grid.shape) - 1) / 2, []
    for value in (value for value in NEAREST if value in found):
        signed, at = found[value]
        place, dose = (np.array(at) - middle) * size, abs(signed)
        extent = (size**3, 1, size, size, size, 0.5 * size)
        rows.append((NEAREST[value], *(float(x) for x in place), *extent, dose, dose / scene.gel_mj_cm3))
    return rows


def worst_places(scene: Scene, rows: int = ROWS) -> tuple[list[tuple], int]:
    """A row (HEAD) for each connected place that turns out wrong on the print's grid, the largest first, at most so
    many; also how many there are in all.

    Voxels that share a face belong together. A place is named by its deepest voxel: it is peeled, layer by layer of
    voxels, and the depth is how far in the last layer lies, half a voxel for places one voxel thick. The dose is that
    of the job's grid at that voxel, linear between its centres; it may lie on the right side of the gel dose where the
    place is finer than that grid.
    Memory   some 100 bytes for each wrong voxel beside the record.
    """
    from scipy.ndimage import map_coordinates

    grid, found = scene.print_grid, []
    for value, words in WHAT.items():
        at = wrong_voxels(scene, value)
        labels = connected(at, grid.shape)
        depth = peeled(at, grid.shape)
        order = np.lexsort((depth, labels))
        starts = np.flatnonzero(np.diff(labels[order], prepend=-1))
        for members in np.split(order, starts[1:]) if len(order) else []:
            low, high = at[members].min(0), at[members].max(0)
            found.append((words, at[members[-1]], len(members), high - low + 1, depth[members[-1]]))
    found.sort(key=lambda row: -row[2])
    found, total = found[:rows], len(found)
    if not found:
        return [], 0
    middle = (np.array(grid.shape) - 1) / 2
    places = (np.array([row[1] for row in found]) - middle) * grid.voxel_mm
    index = places / scene.grid.voxel_mm + (np.array(scene.grid.shape) - 1) / 2
    dose = map_coordinates(scene.dose, index.T, order=1, mode="nearest", prefilter=False)
    table = [
        (
            words,
            *(float(x) for x in place),
            voxels * grid.voxel_mm**3,
            voxels,
            *(float(n) * grid.voxel_mm for n in size),
            (float(layers) - 0.5) * grid.voxel_mm,
            float(d),
            float(d) / scene.gel_mj_cm3,
        )
        for (words, _, voxels, size, layers), place, d in zip(found, places, dose, strict=True)
    ]
    return table, total


def wrong_voxels(scene: Scene, value: int) -> np.ndarray:
    """(voxel, 3) indices, in C order, of those that must become `value` and do not."""
    found = []
    for i, (judged, solid) in enumerate(zip(scene.print_judged, scene.print_solid, strict=True)):
        j, k = np.nonzero((judged == value) & (solid != (value == SOLID)))
        found.append(np.stack([np.full_like(j, i), j, k], 1))
    return np.concatenate(found)


def connected(at: np.ndarray, shape: Sequence[int]) -> np.ndarray:
    """(voxel,) int: a number for each set of voxels that are joined by faces; `at` (voxel, 3) in C order."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    n = len(at)
    pairs = [neighbours(at, shape, axis, 1) for axis in range(3)]
    first = np.concatenate([np.flatnonzero(there >= 0) for there in pairs])
    second = np.concatenate([there[there >= 0] for there in pairs])
    if not n:
        return np.zeros(0, np.int32)
    graph = coo_array((np.ones(len(first), np.int8), (first, second)), shape=(n, n))
    found: Any = connected_components(graph, directed=False)
    return found[1]


def neighbours(at: np.ndarray, shape: Sequence[int], axis: int, way: int) -> np.ndarray:
    """(voxel,) which of the voxels lies one further along an axis (way 1 or -1), -1 where none of them does."""
    beside = at.copy()
    beside[:, axis] += way
    inside = (beside[:, axis] >= 0) & (beside[:, axis] < shape[axis])
    beside[~inside] = 0
    keys, wanted = (np.asarray(np.ravel_multi_index(tuple(x.T), tuple(shape))) for x in (at, beside))
    found = np.minimum(np.searchsorted(keys, wanted), max(0, len(at) - 1))
    return np.where(inside & (keys[found] == wanted), found, -1) if len(at) else np.zeros(0, np.int64)


def peeled(at: np.ndarray, shape: Sequence[int]) -> np.ndarray:
    """(voxel,) int: in which layer, from 1, each voxel goes when those with a free face are taken again and again."""
    beside = np.stack([neighbours(at, shape, axis, way) for axis in range(3) for way in (1, -1)], 1)
    layer = np.zeros(len(at), np.int64)
    left, number = np.ones(len(at), bool), 0
    while left.any():
        number += 1
        free = left & ~((beside >= 0) & left[beside]).all(1)
        layer[free] = number
        left &= ~free
    return layer
