"""Mesh files -> Surface in mm. The format is detected from the content; a damaged file raises MeshError."""

import hashlib
import logging
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError, shown
from lightlathe.part.facets import Facets
from lightlathe.part.limits import MAX_BYTES
from lightlathe.part.surface import Surface, surface_from_triangles
from lightlathe.part.units import MM_PER_UNIT, plain_unit, unit_warning

log = logging.getLogger(__name__)


def read_surface(path: str | Path, unit: str | None = None) -> Surface:
    """Read a mesh file. Formats: STL (binary, text), OBJ, PLY, 3MF, and OFF, GLB, GLTF through trimesh.

    unit    one of MM_PER_UNIT: what one unit of the file's numbers is. Needed for every format but 3MF, which says it
            itself; giving another one for a 3MF is an error.
    Raises  MeshError naming the file: missing, unknown format or unit, damaged, or enclosing nothing.
    """
    path = Path(path)
    unit = None if unit is None else plain_unit(unit)
    if unit is not None and unit not in MM_PER_UNIT:
        raise MeshError(f"{path.name}: unit is {unit!r}; expected one of {', '.join(MM_PER_UNIT)}.")
    reader = _reader(path)
    data = _content(path)
    found = reader(path, data)
    if len(found.triangles) == 0:
        raise MeshError(f"{path.name} holds no facets (0 triangles); expected the closed skin of a solid.")
    if found.unit is None and unit is None:
        raise MeshError(
            f"{path.name}: {path.suffix.lstrip('.').upper()} files do not say their unit, and none was given; "
            f"expected unit = one of {', '.join(MM_PER_UNIT)}. Its numbers span {_span(found.triangles)}."
        )
    if found.unit is not None and unit is not None and unit != found.unit:
        raise MeshError(f"{path.name} says its unit is {found.unit}, but the job says {unit}; leave unit out.")
    unit = found.unit or unit or ""
    with np.errstate(over="ignore"):  # what runs over is refused as no number
        triangles_mm = found.triangles * MM_PER_UNIT[unit]
    surface = surface_from_triangles(triangles_mm, path.name, unit, found.warnings)
    surface = replace(surface, files={path.name: hashlib.sha256(data).hexdigest(), **found.files})
    strange = unit_warning(path.name, surface.size_mm, unit)
    if strange:
        surface = replace(surface, warnings=(*surface.warnings, strange))
    for warning in surface.warnings:
        log.warning(warning)
    return surface


def _content(path: Path) -> bytes:
    """All bytes of the file, read once."""
    try:
        if not path.is_file():
            raise MeshError(f"{path}: there is no such file; expected a mesh file.")
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise MeshError(f"{path.name} has {size} bytes; up to {MAX_BYTES} are read. Export a coarser mesh.")
        data = path.read_bytes()
    except OSError as problem:
        raise MeshError(f"{shown(path)} cannot be read: {problem.strerror or shown(problem)}.") from problem
    if not data:
        raise MeshError(f"{path.name} is empty (0 bytes); expected a mesh. Was the copy or download interrupted?")
    return data


def _reader(path: Path) -> Callable[[Path, bytes], Facets]:
    from lightlathe.part import formats, threemf, through_trimesh

    readers = {
        ".stl": formats.read_stl,
        ".obj": formats.read_obj,
        ".ply": through_trimesh.read_ply,
        ".3mf": threemf.read_3mf,
        ".off": through_trimesh.read_off,
        ".glb": through_trimesh.read_gltf,
        ".gltf": through_trimesh.read_gltf,
    }
    try:
        return readers[path.suffix.lower()]
    except KeyError:
        raise MeshError(
            f"{path.name}: meshes with the ending '{path.suffix}' are not read; expected one of {', '.join(readers)}."
        ) from None


def _span(triangles: NDArray[np.float64]) -> str:
    with np.errstate(all="ignore"):
        size = np.ptp(triangles.reshape(-1, 3), axis=0)
    return " x ".join(f"{s:.4g}" for s in size)
