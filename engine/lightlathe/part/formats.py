"""Readers of single mesh formats: each takes a path and hands back Facets, or stops with a MeshError."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError
from lightlathe.part.reading import Facets

RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])  # 50 bytes


def read_stl(path: Path) -> Facets:
    """Binary or text STL. A file whose size is what its count asks for is binary, whatever its first word is."""
    data = path.read_bytes()
    count = int.from_bytes(data[80:84], "little") if len(data) >= 84 else None
    if count is not None and len(data) == 84 + 50 * count:
        return Facets(_records(data, count))
    if data.lstrip()[:5].lower() == b"solid" and b"\0" not in data:
        return _read_text_stl(path, data)
    if count is None:
        raise MeshError(f"{path.name} has {len(data)} bytes; expected a binary STL of 84 or more, or the word 'solid'.")
    spare = len(data) - 84 - 50 * count
    whole, rest = divmod(len(data) - 84, 50)
    if 0 < spare < 50 and count > 0:
        return Facets(
            _records(data, count), warnings=(f"{path.name}: {spare} bytes after the last facet were left out.",)
        )
    cut = f" and {rest} bytes of one more, so it was cut off" if rest else ""
    raise MeshError(
        f"{path.name}: its header says {count} facets, but it holds {whole}{cut}; expected {84 + 50 * count} bytes and "
        f"found {len(data)}. Was the copy or download interrupted? Export the mesh again."
    )


def _records(data: bytes, count: int) -> NDArray[np.float64]:
    return np.frombuffer(data, RECORD, count=count, offset=84)["corners"].astype(np.float64)


def _read_text_stl(path: Path, data: bytes) -> Facets:
    """Text STL, any number of `solid` blocks. Only the first word of a line has a meaning; names may be anything."""
    corners: list[tuple[float, float, float]] = []
    facets = solids = closed = 0
    in_facet = -1  # corners so far in the open facet; -1 outside
    for number, line in enumerate(data.decode("latin-1").splitlines(), start=1):
        words = line.split()
        if not words:
            continue
        word = words[0].lower()
        if word == "vertex":
            try:
                x, y, z = (float(w) for w in words[1:])
            except ValueError:
                raise MeshError(
                    f"{path.name}, line {number}: {line.strip()!r}; expected 'vertex' and three numbers."
                ) from None
            corners.append((x, y, z))
            in_facet += 1
        elif word == "facet":
            in_facet = 0
            facets += 1
        elif word == "endfacet":
            if in_facet != 3:
                raise MeshError(f"{path.name}, line {number}: facet {facets} has {in_facet} corners; expected 3.")
            in_facet = -1
        elif word == "solid":
            solids += 1
        elif word == "endsolid":
            closed += 1
    if solids != closed or len(corners) != 3 * facets or in_facet != -1:
        raise MeshError(
            f"{path.name} is cut off: {solids} 'solid' and {closed} 'endsolid', {facets} facets and {len(corners)} "
            "corners; expected as many of each and three corners a facet. Was the copy or download interrupted?"
        )
    return Facets(np.array(corners, dtype=np.float64).reshape(-1, 3, 3))


def read_obj(path: Path) -> Facets:
    """Wavefront OBJ: positions and faces of any number of corners. Texture and normals are left aside."""
    vertices: list[list[float]] = []
    faces: list[list[int]] = []
    others: dict[str, int] = {}
    text = path.read_text(encoding="utf-8-sig", errors="replace").replace("\\\n", " ").replace("\\\r\n", " ")
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.split("#", 1)[0].split()
        if not words:
            continue
        try:
            if words[0] == "v":
                x, y, z = (float(w) for w in words[1:4])
                vertices.append([x, y, z])
            elif words[0] == "f":
                corners = [int(w.split("/", 1)[0]) for w in words[1:]]
                corners = [c - 1 if c > 0 else len(vertices) + c for c in corners]
                if len(corners) < 3 or min(corners) < 0:
                    raise ValueError
                faces.append(corners)
            elif words[0] in ("l", "p", "curv", "curv2", "surf"):
                others[words[0]] = others.get(words[0], 0) + 1
        except ValueError:
            raise MeshError(
                f"{path.name}, line {number}: {line.strip()[:80]!r}; expected 'v' and three numbers, or 'f' and three "
                "or more corner numbers. Is the file damaged?"
            ) from None
    if faces and max(max(f) for f in faces) >= len(vertices):
        raise MeshError(
            f"{path.name}: a face asks for vertex {max(max(f) for f in faces) + 1}, but there are {len(vertices)}. "
            "Was the copy or download interrupted?"
        )
    warnings = tuple(
        f"{path.name}: {n} elements '{kind}' (points, lines or curved surfaces) are no facets and were left out."
        for kind, n in others.items()
    )
    return Facets(_fans(np.array(vertices), faces), warnings=warnings)


def _fans(vertices: NDArray[np.float64], faces: list[list[int]]) -> NDArray[np.float64]:
    """Faces of any number of corners as fans of triangles. A flat face that is not convex comes out right too: its
    fan overlaps itself with opposite signs."""
    triangles = [(f[0], f[k], f[k + 1]) for f in faces for k in range(1, len(f) - 1)]
    return vertices[np.array(triangles, dtype=np.int64)] if triangles else np.empty((0, 3, 3))


def read_ply(path: Path) -> Facets:
    """PLY, text or binary, through trimesh; the header's count of faces is checked against what came."""
    facets = read_other(path)
    stated = None
    with path.open("rb") as file:
        for raw in file:
            words = raw.split()
            if words[:2] == [b"element", b"face"]:
                stated = int(words[2])
            if words[:1] == [b"end_header"]:
                break
    if stated is None:
        raise MeshError(f"{path.name} names no faces in its header (a cloud of points?); expected a closed skin.")
    if len(facets.triangles) < stated:
        raise MeshError(
            f"{path.name}: its header says {stated} faces, but {len(facets.triangles)} triangles could be read. "
            "Was the copy or download interrupted?"
        )
    return facets


def read_other(path: Path) -> Facets:
    """Whatever trimesh reads: the facets of everything in the scene, each at its place."""
    import trimesh

    try:
        loaded = trimesh.load(path, process=False)
        mesh = loaded.to_geometry() if isinstance(loaded, trimesh.Scene) else loaded
        triangles = np.asarray(mesh.triangles, dtype=np.float64)  # pyright: ignore[reportAttributeAccessIssue]
    except Exception as error:  # trimesh raises whatever the parser hits
        raise MeshError(f"{path.name} cannot be read: {type(error).__name__}: {error}. Is the file damaged?") from error
    return Facets(triangles)
