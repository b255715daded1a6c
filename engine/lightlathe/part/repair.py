"""Mesh repair: merges vertices, drops duplicate and degenerate facets, orients all components outwards."""

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError
from lightlathe.part.edges import components, edges, open_edges
from lightlathe.part.limits import MAX_INWARD, MAX_NEAR

FLAT = 1e-12  # a facet whose height is below this share of its longest side has no area in float64
Vertices = NDArray[np.float64]
Faces = NDArray[np.int64]


def weld(triangles: NDArray[np.float64]) -> tuple[Vertices, Faces]:
    """Merge all corners at exactly the same place into one vertex; vertices in the order of x, then y, then z."""
    corners = triangles.reshape(-1, 3) + 0.0  # -0.0 becomes 0.0
    order = np.lexsort((corners[:, 2], corners[:, 1], corners[:, 0]))
    ranked = corners[order]
    new = np.ones(len(ranked), dtype=bool)
    new[1:] = (ranked[1:] != ranked[:-1]).any(axis=1)
    index = np.empty(len(corners), dtype=np.int64)
    index[order] = np.cumsum(new) - 1
    return ranked[new], index.reshape(-1, 3)


def drop_flat(vertices: Vertices, faces: Faces) -> tuple[Faces, int]:
    """Leave out facets without area; but keep them where they close the seam between a long edge and its parts."""
    corners = vertices[faces]
    sides = np.roll(corners, -1, axis=1) - corners
    longest = np.einsum("ijk,ijk->ij", sides, sides).max(axis=1)
    area = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1)
    flat = area <= FLAT * longest
    a, b, c = faces.T
    twice = (a == b) | (b == c) | (c == a)
    if (flat & ~twice).any() and open_edges(faces[~flat]) > open_edges(faces[~twice]):
        flat = twice
    return faces[~flat], int(flat.sum())


def drop_copies(faces: Faces) -> tuple[Faces, int]:
    """Leave out later copies of a facet with the same corners and the same side outwards.

    Two facets with the same corners and opposite sides are a sheet of no thickness; they cancel and stay.
    """
    first = faces.argmin(axis=1)
    turned = np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1)
    _, kept = np.unique(turned, axis=0, return_index=True)
    kept.sort()
    return faces[kept], len(faces) - len(kept)


def weld_close(vertices: Vertices, faces: Faces) -> tuple[Vertices, Faces, float]:
    """Merge corners that differ only by float32 rounding, where that closes seams; else change nothing.

    Returns vertices, faces and the largest joining distance (0 where nothing was joined). The distance is four steps
    of float32 at the largest coordinate of the two corners: what an exporter loses that computes one corner twice.
    A corner far out joins nothing elsewhere.
    """
    pairs, reach = _near(vertices)
    if len(pairs) == 0:
        return vertices, faces, 0.0
    group = components(pairs, len(vertices))
    _, first = np.unique(group, return_index=True)
    joined, _ = drop_copies(drop_flat(vertices, first[group][faces])[0])
    if len(joined) == 0 or open_edges(joined) >= open_edges(faces):
        return vertices, faces, 0.0
    return vertices, joined, reach


def _near(vertices: Vertices) -> tuple[NDArray[np.int64], float]:
    """(p, 2) pairs of corners within four steps of float32 of each other, and the largest such distance used.

    Float32 has one step for all numbers from one power of two to the next, so corners are taken by the power of their
    largest coordinate, each group with its own reach; a pair across two groups takes the larger. Corners nearer the
    origin than the middle one count as far out as that: they were computed from numbers of its size. A group whose
    corners have more than MAX_NEAR others in reach on average is finer than the format holds; it is left as it is.
    """
    from scipy.spatial import KDTree

    largest = np.abs(vertices).max(axis=1)
    largest = np.maximum(largest, np.median(largest))
    _, power = np.frexp(largest)
    found, farthest = [np.empty((0, 2), dtype=np.int64)], 0.0
    for p in np.unique(power):
        low = 2.0 ** (p - 1)
        reach = 4 * float(np.spacing(np.float32(low)))
        mine = np.flatnonzero((power == p) | ((power < p) & (largest >= low - reach)))
        tree = KDTree(vertices[mine])
        if tree.count_neighbors(tree, reach) > (MAX_NEAR + 1) * len(mine):
            continue
        pairs = mine[tree.query_pairs(reach, output_type="ndarray")]
        pairs = pairs[(power[pairs] == p).any(axis=1)]
        if len(pairs):
            found.append(pairs)
            farthest = reach
    return np.concatenate(found), farthest


def components_of(faces: Faces) -> NDArray[np.int64]:
    """(f,) number of the connected component (facets joined by edges) of each facet."""
    index = edges(faces)[1]
    facet = np.repeat(np.arange(len(faces)), 3)
    n = len(faces)
    label = components(np.stack([facet, index + n], axis=1), n + int(index.max()) + 1)
    return np.unique(label[:n], return_inverse=True)[1]


def orient_consistently(faces: Faces) -> tuple[Faces, int]:
    """Flip the facets that are oriented against most of their component; a non-orientable component is left unchanged.

    Neighbours over an edge with exactly two facets must run along it in opposite directions. Each facet is doubled
    (as it is, turned) and like is joined with like: a component that can be made consistent falls into two mirror
    copies.
    """
    _, index, sign, _ = edges(faces)
    n = len(faces)
    order = np.argsort(index, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(index[order]) != 0])
    two = starts[np.diff(np.r_[starts, len(order)]) == 2]
    left, right = order[two], order[two + 1]
    against = sign[left] == sign[right]
    if not against.any():
        return faces, 0
    a, b = left // 3, right // 3
    same, other = np.where(against, b + n, b), np.where(against, b, b + n)
    label = components(np.stack([np.r_[a, a + n], np.r_[same, other]], axis=1), 2 * n)
    as_is, turned = label[:n], label[n:]
    can = as_is != turned
    pair = np.minimum(as_is, turned)
    in_lower = as_is < turned
    weight = np.bincount(pair[can], weights=np.where(in_lower, 1, -1)[can], minlength=2 * n)
    inconsistent = can & np.where(weight[pair] >= 0, ~in_lower, in_lower)
    fixed = faces.copy()
    fixed[inconsistent] = fixed[inconsistent][:, ::-1]
    return fixed, int(inconsistent.sum())


def orient_outwards(
    vertices: Vertices, faces: Faces, component: NDArray[np.int64], name: str = "the mesh"
) -> tuple[Faces, int]:
    """Flip what faces inwards: the whole mesh, then components of negative volume that lie in no other component.

    A component of negative volume inside another one is a cavity and stays. What lies inside a turned component turns
    with it.
    Raises MeshError beyond MAX_INWARD such components: which lies in which is asked of each pair.
    """
    from lightlathe.part.crossings import sides_above

    centred = vertices - (vertices.max(0) + vertices.min(0)) / 2
    corners = centred[faces]
    middle = np.stack([np.bincount(component, corners.mean(1)[:, axis]) for axis in range(3)], axis=1)
    middle /= np.bincount(component)[:, None]
    a, b, c = np.moveaxis(corners - middle[component][:, None], 1, 0)  # about its own middle: it may be open
    volume = np.bincount(component, weights=np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
    tiny = 1e-12 * float(np.ptp(vertices, axis=0).max()) ** 3
    whole = -1 if volume.sum() < -tiny else 1
    turn = np.full(len(volume), whole == -1)
    inward = np.flatnonzero(whole * volume < -tiny)
    if len(inward) > MAX_INWARD:
        raise MeshError(
            f"{name}: {len(inward)} components face against the rest of {len(volume)}; up to {MAX_INWARD} are sorted "
            "out. Turn their normals before exporting."
        )
    if len(inward):
        points = corners[np.unique(component, return_index=True)[1]].mean(axis=1)  # one on the skin of each component
        around = whole * sides_above(points[inward], corners, inward, component)
        free = inward[around <= 0]
        order = np.argsort(component, kind="stable")
        ends = np.cumsum(np.bincount(component))
        for one in free[np.argsort(-np.abs(volume[free]), kind="stable")]:  # what holds others comes before them
            if turn[one] == (whole == -1):
                skin = order[(ends[one - 1] if one else 0) : ends[one]]
                low, high = corners[skin].min(axis=(0, 1)), corners[skin].max(axis=(0, 1))
                near = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
                held = near[sides_above(points[near], corners[skin], near, component[skin]) != 0]
                turn[held] ^= True
                turn[one] ^= True
    outward = faces.copy()
    outward[turn[component]] = faces[turn[component]][:, ::-1]
    return outward, int(turn.sum())
