"""The surface of the part wanted, in the result file: /part/surface."""

from typing import Any

import numpy as np

from lightlathe.quantities import TriangleMesh
from lightlathe.result.put import put
from lightlathe.result.tree import Node


def put_wanted(group: Any, mesh: TriangleMesh) -> None:
    """Corners as float32 and faces as int32."""
    put(group, "vertices_mm", mesh.vertices_mm.astype(np.float32), "mm", ("vertex", "axis"))
    put(group, "faces", mesh.faces.astype(np.int32), "1", ("face", "corner"))


def wanted_in(root: Node) -> TriangleMesh | None:
    """What `put_wanted` wrote; None where it did not. ValueError for what is no mesh."""
    if root.find("part/surface") is None:
        return None
    vertices = root.array("part/surface/vertices_mm", "f4", (None, 3)).astype(np.float64)
    faces = root.array("part/surface/faces", "i4", (None, 3)).astype(np.int64)
    if not np.isfinite(vertices).all() or faces.min() < 0 or faces.max() >= len(vertices):
        raise ValueError("part/surface holds vertices that are not finite, or faces of none")
    return TriangleMesh(vertices, faces)
