"""A surface as STL, PLY, 3MF or GLB."""

import io
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import ResultError
from lightlathe.export.whole import write_whole
from lightlathe.support.colours import OVER, UNDER, rgb
from lightlathe.support.files import SOLID_MARK, SURFACE
from lightlathe.support.watching import doing

THREE_MF = {"um": "micron", "mm": "millimeter", "cm": "centimeter", "inch": "inch", "foot": "foot", "m": "meter"}
THIN, RIGHT, FAT = np.array([rgb(UNDER), (240, 240, 240), rgb(OVER)], float)  # blue, grey, orange
BATCH = 65536  # lines of XML written in one go
CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?><!-- {} -->'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)
RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="rel0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed surface to be written.

    points      (v, 3) float64, in `unit`, one of THREE_MF, of `mm_per_unit`
    faces       (f, 3) int64, counter-clockwise seen from outside
    error_mm    (v,) signed distance from the surface wanted, above 0 outside it
    full_mm     error at which the colour is full
    about       what it is and its frame, in a line, for the file's header
    """

    points: NDArray[np.float64]
    faces: NDArray[np.int64]
    unit: str
    mm_per_unit: float
    error_mm: NDArray[np.float64]
    full_mm: float
    about: str

    @property
    def colours(self) -> NDArray[np.uint8]:
        """(v, 3): blue where the print is too thin, grey where right, orange where too fat."""
        share = np.clip(self.error_mm / self.full_mm, -1, 1)[:, None]
        return np.rint(RIGHT + np.abs(share) * (np.where(share < 0, THIN, FAT) - RIGHT)).astype(np.uint8)


@doing("writing the surface")
def write_solid(path: Path, solid: Solid) -> Path:
    """Write a surface in the format of the path's ending; returns the path. Raises ResultError."""
    return write_whole(path, SURFACE, writer_for(path)(solid))


def writer_for(path: Path) -> Callable[[Solid], Iterator[bytes]]:
    """What writes files of this ending. Raises ResultError for one that nothing writes."""
    try:
        return WRITERS[Path(path).suffix.lower()]
    except KeyError:
        raise ResultError(f"{path}: expected the name of a surface file that ends in {', '.join(WRITERS)}.") from None


def _stl(solid: Solid) -> Iterator[bytes]:
    """Binary; float32 in the part's unit, which stands in the header."""
    triangles = solid.points[solid.faces]
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), np.finfo(float).tiny)
    rows = np.zeros(len(triangles), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    rows["normal"], rows["corners"] = normals, triangles
    yield f"{SOLID_MARK} in {solid.unit}".encode().ljust(80)[:80] + np.uint32(len(rows)).astype("<u4").tobytes()
    yield rows.tobytes()


def _ply(solid: Solid) -> Iterator[bytes]:
    """Binary; each corner with its colour and its error."""
    corner = [(axis, "<f8") for axis in "xyz"] + [(name, "u1") for name in ("red", "green", "blue")]
    rows = np.zeros(len(solid.points), [*corner, ("error", "<f4")])
    for number, axis in enumerate("xyz"):
        rows[axis] = solid.points[:, number]
    for number, name in enumerate(("red", "green", "blue")):
        rows[name] = solid.colours[:, number]
    rows["error"] = solid.error_mm
    faces = np.zeros(len(solid.faces), [("n", "u1"), ("corners", "<i4", 3)])
    faces["n"], faces["corners"] = 3, solid.faces
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment {SOLID_MARK} in {solid.unit}",
        f"comment {solid.about}",
        f"comment colours: blue {solid.full_mm:g} mm or more too thin, grey right, orange as much or more too fat",
        f"element vertex {len(rows)}",
        *(f"property double {axis}" for axis in "xyz"),
        *(f"property uchar {name}" for name in ("red", "green", "blue")),
        "property float signed_distance_mm",
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
        "end_header\n",
    ]
    yield "\n".join(lines).encode("ascii", "replace")
    yield rows.tobytes()
    yield faces.tobytes()


def _3mf(solid: Solid) -> Iterator[bytes]:
    """3MF core specification 1.3: one object, one item of the build, numbers in the part's unit."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=5) as package:
        package.writestr("[Content_Types].xml", CONTENT_TYPES.format(SOLID_MARK), zipfile.ZIP_STORED)
        package.writestr("_rels/.rels", RELATIONS)
        with package.open("3D/3dmodel.model", "w", force_zip64=True) as model:
            for piece in _model(solid):
                model.write(piece.encode())
    yield file.getvalue()


def _model(solid: Solid) -> Iterator[str]:
    yield (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{THREE_MF[solid.unit]}" xml:lang="en-US" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources><object id="1" type="model">'
        "<mesh><vertices>"
    )
    for first in range(0, len(solid.points), BATCH):
        rows = solid.points[first : first + BATCH].tolist()
        yield "".join(f'<vertex x="{x:.9g}" y="{y:.9g}" z="{z:.9g}"/>' for x, y, z in rows)
    yield "</vertices><triangles>"
    for first in range(0, len(solid.faces), BATCH):
        rows = solid.faces[first : first + BATCH].tolist()
        yield "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in rows)
    yield '</triangles></mesh></object></resources><build><item objectid="1"/></build></model>'


def _glb(solid: Solid) -> Iterator[bytes]:
    """glTF 2.0 in metres, as it asks; axes as they are, z up, so that it lies on a mesh of the same axes."""
    import trimesh
    from trimesh.exchange.gltf import export_glb

    def marked(tree: dict) -> None:
        tree["asset"] |= {"generator": SOLID_MARK, "extras": {"about": solid.about}}

    mesh = trimesh.Trimesh(
        solid.points * (solid.mm_per_unit / 1000), solid.faces, vertex_colors=solid.colours, process=False
    )
    yield export_glb(trimesh.Scene(mesh), tree_postprocessor=marked)


WRITERS: dict[str, Callable[[Solid], Iterator[bytes]]] = {".stl": _stl, ".ply": _ply, ".3mf": _3mf, ".glb": _glb}
