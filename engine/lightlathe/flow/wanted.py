"""The surface of the part wanted, as triangles placed in the vial, and the way back to the part's own coordinates."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightlathe.flow.solids import Solid
from lightlathe.part import SHAPES, Surface
from lightlathe.quantities import TriangleMesh

MAX_FACETS = 500_000  # 12 MB in a result; the surface of more is taken from the voxels


def wanted_mesh(solids: Sequence[Solid]) -> TriangleMesh | None:
    """The surfaces of all parts together, rounded to float32 as a result holds them, open meshes closed.

    None where a part is voxels or Python of the user's own, and for more than MAX_FACETS.
    """
    vertices: list[NDArray[np.float64]] = []
    faces: list[NDArray[np.int64]] = []
    for form in [solid.form for solid in solids if solid.role == "part"]:
        if isinstance(form, Surface):
            points, corners = _closed(form)
        elif type(form) in SHAPES.values():
            points, corners = np.unique(form.triangles().reshape(-1, 3), axis=0, return_inverse=True)
            corners = corners.reshape(-1, 3)
        else:
            return None
        faces.append(corners.astype(np.int64) + sum(map(len, vertices)))
        vertices.append(points)
    if not faces or sum(map(len, faces)) > MAX_FACETS:
        return None
    return TriangleMesh(np.concatenate(vertices).astype(np.float32).astype(np.float64), np.concatenate(faces))


def _closed(form: Surface) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    if form.report.watertight:
        return form.vertices_mm, form.faces
    from lightlathe.part.openings import caps

    points, closing = caps(form.vertices_mm, form.faces)
    return points, np.concatenate([form.faces, closing])


def frame_facts(solids: Sequence[Solid]) -> dict[str, Any]:
    """Facts for a result: the coordinates of the first part that is a mesh, of the vial where all are shapes.

    part_frame       the name of its file; "" for the vial's frame
    part_unit        the unit of its numbers
    part_to_vial     16 numbers, a matrix row by row: from mm in the axes of the file to the vial's frame
    part_frame_shared     all other parts that are meshes lie in the vial as this one does
    """
    meshes = [s for s in solids if s.role == "part" and s.to_vial is not None]
    if not meshes:
        return {
            "part_frame": "",
            "part_unit": "mm",
            "part_to_vial": np.eye(4).ravel().tolist(),
            "part_frame_shared": True,
        }
    first = meshes[0]
    assert first.to_vial is not None
    alike = all(s.unit == first.unit and np.allclose(s.to_vial, first.to_vial, atol=1e-9) for s in meshes)  # type: ignore[arg-type]
    return {
        "part_frame": next(iter(first.files), "mesh"),
        "part_unit": first.unit or "mm",
        "part_to_vial": first.to_vial.ravel().tolist(),
        "part_frame_shared": alike,
    }
