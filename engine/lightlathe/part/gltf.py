"""Validation of a glTF file before it is built: bounded counts, a strict tree, no unsupported content.

Source: glTF 2.0 specification (Khronos Group, ISO/IEC 12113:2022): section 3.5.2, nodes are disjoint strict trees;
section 3.12, `extensionsRequired`; section 4.4, the GLB container; primitive modes in section 5.24.
"""

import json
from graphlib import CycleError, TopologicalSorter
from typing import Any

from lightlathe.errors import MeshError, shown
from lightlathe.part.limits import MAX_FACETS, MAX_JSON, MAX_USES

APPEARANCE_ONLY = ("KHR_materials_", "KHR_texture_", "EXT_texture_")  # extensions that change no shape
TRIANGLES = (4, 5)  # plain triangles and strips


def require_sound(name: str, data: bytes) -> tuple[str, ...]:
    """Raise MeshError where the description is invalid; returns warnings about what is left out."""
    try:
        return _look_at(name, _description(name, data))
    except (MeshError, MemoryError):
        raise
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, RecursionError) as error:
        raise MeshError(
            f"{name} cannot be read as glTF: {type(error).__name__}: {shown(str(error))}. Is the file damaged?"
        ) from error


def _description(name: str, data: bytes) -> dict[str, Any]:
    text = data
    if data[:4] == b"glTF":
        length = int.from_bytes(data[12:16], "little")
        if int.from_bytes(data[8:12], "little") != len(data) or length > len(data) - 20:
            raise MeshError(f"{name}: its header does not say {len(data)} bytes. Was the copy or download interrupted?")
        text = data[20 : 20 + length]
    if len(text) > MAX_JSON:
        raise MeshError(f"{name}: a description of {len(text)} bytes; up to {MAX_JSON} are read. Save it as GLB.")
    found = json.loads(text)
    if not isinstance(found, dict):
        raise MeshError(f"{name}: its description is no JSON object; expected glTF 2.0.")
    return found


def _look_at(name: str, found: dict[str, Any]) -> tuple[str, ...]:
    for extension in found.get("extensionsRequired", []):
        if not str(extension).startswith(APPEARANCE_ONLY):
            raise MeshError(
                f"{name} needs the glTF extension {shown(extension)}, which is not understood. Export plain meshes."
            )
    max_count = 3 * MAX_FACETS
    for accessor in found.get("accessors", []):
        count = accessor["count"]
        if not isinstance(count, int) or not 0 < count <= max_count:
            raise MeshError(f"{name}: an accessor of {shown(count)} values; expected 1 to {max_count}.")
        if "bufferView" not in accessor:
            raise MeshError(f"{name}: an accessor without a buffer view, or a sparse one, is not read. Export plainly.")
    nodes = len(found.get("nodes", []))
    if nodes > MAX_USES:
        raise MeshError(f"{name}: a scene of {nodes} nodes; up to {MAX_USES} are read.")
    parents: dict[int, int] = {}
    for number, node in enumerate(found.get("nodes", [])):
        for child in node.get("children", []):
            if child in parents:
                raise MeshError(f"{name}: node {shown(child)} has two parents; a scene is a tree.")
            parents[child] = number
    try:
        TopologicalSorter({child: [parent] for child, parent in parents.items()}).prepare()
    except CycleError as ring:
        raise MeshError(f"{name}: node {ring.args[1][0]} is its own ancestor; a scene is a tree.") from None
    modes = [p.get("mode", 4) for mesh in found.get("meshes", []) for p in mesh["primitives"]]
    other = sum(mode not in TRIANGLES for mode in modes)
    if other == len(modes) and modes:
        raise MeshError(f"{name} holds points, lines or fans only; expected triangles or strips of them.")
    return (f"{name}: {other} primitives of points, lines or fans were left out.",) if other else ()
