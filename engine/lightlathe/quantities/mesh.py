"""A surface as triangles."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import ShapeError


@dataclass(frozen=True, eq=False)
class TriangleMesh:
    """Triangles in the vial's frame, mm, counter-clockwise seen from outside.

    vertices_mm   (v, 3) float64
    faces         (f, 3) int64, indices of vertices
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]

    def __post_init__(self) -> None:
        v, f = self.vertices_mm, self.faces
        if v.ndim != 2 or v.shape[1] != 3 or f.ndim != 2 or f.shape[1] != 3 or not len(f):
            raise ShapeError(f"vertices {v.shape} and faces {f.shape}; expected (v, 3) and (f, 3), f 1 or more.")
        if not np.isfinite(v).all() or f.min() < 0 or f.max() >= len(v):
            raise ShapeError(
                f"{len(v)} vertices, faces from {f.min()} to {f.max()}; expected finite vertices and faces of them."
            )

    @property
    def triangles(self) -> NDArray[np.float64]:
        """(f, 3, 3) mm: corner positions of every face."""
        return self.vertices_mm[self.faces]

    @property
    def volume_mm3(self) -> float:
        """Signed volume inside, by the divergence theorem; exact for a closed surface."""
        a, b, c = np.moveaxis(self.triangles - self.vertices_mm.mean(0), 1, 0)
        return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6
