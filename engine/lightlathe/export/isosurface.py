"""The surface of the predicted print as triangles: where the dose passes the gel dose, by marching cubes."""

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import ResultError
from lightlathe.quantities import Grid, TriangleMesh, Volume
from lightlathe.support.watching import doing, step

SLAB_VOXELS = 1 << 24  # of the dose cut in one go: some 0.2 GB beside it


@doing("cutting the dose")
def print_surface(dose: Volume, gel_mj_cm3: float, grid: Grid, insert: Volume | None = None) -> TriangleMesh:
    """The closed surface around all that turns solid, in the vial's frame.

    dose     (x, y, z) mJ/cm3, taken as linear along the lines between voxel centres, and as 0 a voxel beyond the grid
    insert   (x, y, z) covered fraction of what sits in the vial already: no print is where it covers more than half

    Cut slab by slab; corners that two slabs share are found in both from the same numbers and joined.
    Raises   ResultError where nothing turns solid, or scikit-image is missing.
    Source   T. Lewiner et al., J. Graphics Tools 8 (2003) 1, as in scikit-image.
    """
    marching_cubes = _marching_cubes()
    nx, ny, nz = grid.shape
    thick = max(1, SLAB_VOXELS // ((ny + 2) * (nz + 2)))
    vertices: list[NDArray[np.float32]] = []
    faces: list[NDArray[np.int64]] = []
    total, seam = 0, (np.empty((0, 2), np.float32), np.empty(0, np.int64))
    for first in range(-1, nx, thick):  # planes of voxel centres, -1 and nx beyond the grid
        last = min(first + thick, nx)
        slab = _excess(dose, gel_mj_cm3, insert, first, last)
        found = np.empty((0, 3), np.float32), np.empty((0, 3), np.int32)
        if slab.max() > 0:
            found = marching_cubes(slab, 0.0, gradient_direction="ascent")[:2]
        points, corners = found
        index = np.arange(total, total + len(points), dtype=np.int64)
        low = np.flatnonzero(points[:, 0] == 0)
        index, points = _joined(index, points, low, seam, total)
        total += len(points)
        high = np.flatnonzero(points[:, 0] == last - first)
        seam = points[high, 1:], total - len(points) + high
        faces.append(index[corners])
        vertices.append(points + np.array([first, -1, -1], np.float32))
        step(last, nx)
    if not total:
        raise ResultError(
            f"nothing turns solid: no dose is above the gel dose of {gel_mj_cm3:g} mJ/cm3, so there is no surface."
        )
    middle = (np.array(grid.shape) - 1) / 2
    return TriangleMesh((np.concatenate(vertices) - middle) * grid.voxel_mm, np.concatenate(faces))


def _excess(dose: Volume, gel: float, insert: Volume | None, first: int, last: int) -> NDArray[np.float32]:
    """Dose above the gel dose over it, of planes `first` to `last`, with a rim of no dose; below 0 inside an insert."""
    nx, ny, nz = dose.shape
    slab = np.full((last - first + 1, ny + 2, nz + 2), -1.0, np.float32)
    inner = slice(max(first, 0), min(last, nx - 1) + 1)
    own = slab[inner.start - first : inner.stop - first, 1:-1, 1:-1]
    own[...] = dose[inner].cpu().numpy()
    own -= gel
    own /= gel
    if insert is not None:
        covered = insert[inner].cpu().numpy()
        np.minimum(own, 1 - 2 * covered, out=own, where=covered > 0)
    own[own == 0] = -1e-6  # a corner on a voxel's centre would be several corners at one place
    return slab


def _joined(
    index: NDArray[np.int64],
    points: NDArray[np.float32],
    low: NDArray[np.int64],
    seam: tuple[NDArray[np.float32], NDArray[np.int64]],
    total: int,
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Numbers of a slab's corners, those on its first plane being the last slab's; and the corners that are new."""
    known = {place.tobytes(): number for place, number in zip(*seam, strict=True)}
    numbers = np.array([known.get(place.tobytes(), -1) for place in points[low, 1:]], np.int64)
    old = np.zeros(len(points), bool)
    old[low[numbers >= 0]] = True
    index = total + np.cumsum(~old) - 1
    index[low[numbers >= 0]] = numbers[numbers >= 0]
    return index, points[~old]


def _marching_cubes():
    try:
        from skimage.measure import marching_cubes
    except ImportError:
        raise ResultError(
            "surfaces need scikit-image, which is not installed. pip install 'scikit-image>=0.22' (the extra 'surface')"
        ) from None
    return marching_cubes
