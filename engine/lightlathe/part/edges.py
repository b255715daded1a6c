"""Edges of a mesh: adjacent facets, open and non-manifold edges."""

import numpy as np
from numpy.typing import NDArray

Vertices = NDArray[np.float64]
Faces = NDArray[np.int64]


def edges(faces: Faces) -> tuple[Faces, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Undirected edges (e, 2) lower vertex first; for each corner of each facet, in facet order, the edge that starts
    there and +1 or -1 for its direction; and per edge the sum of those directions (0 where closed)."""
    directed = np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2)
    sign = np.where(directed[:, 0] < directed[:, 1], 1, -1)
    low, high = directed.min(1), directed.max(1)
    count = int(faces.max()) + 1 if len(faces) else 1
    keys, index = np.unique(low * count + high, return_inverse=True)
    net = np.bincount(index, weights=sign, minlength=len(keys)).astype(np.int64)
    return np.stack([keys // count, keys % count], axis=1), index, sign, net


def components(pairs: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """(count,) number of the connected component of each of `count` things, joined by pairs (p, 2)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(pairs)), pairs.T), shape=(count, count))
    return connected_components(graph, directed=False)[1]


def open_edges(faces: Faces) -> int:
    return int((edges(faces)[3] != 0).sum())


def non_manifold_edges(faces: Faces) -> int:
    return int((np.bincount(edges(faces)[1]) > 2).sum())
