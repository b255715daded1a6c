"""Readers of STL and OBJ: each takes a path and the file's bytes and hands back Facets, or stops with a MeshError."""

import io
from array import array
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError, shown
from lightlathe.part.facets import Facets
from lightlathe.part.limits import MAX_LINE, require_few

RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])  # 50 bytes


def read_stl(path: Path, data: bytes) -> Facets:
    """Binary or text STL. A file whose size is what its count asks for is binary, whatever its first word is."""
    count = int.from_bytes(data[80:84], "little") if len(data) >= 84 else None
    if count is not None and len(data) == 84 + 50 * count:
        return Facets(_records(path.name, data, count))
    if data[:MAX_LINE].lstrip()[:5].lower() == b"solid" and b"\0" not in data:
        return _read_text_stl(path, data)
    if count is None:
        raise MeshError(f"{path.name} has {len(data)} bytes; expected a binary STL of 84 or more, or the word 'solid'.")
    spare = len(data) - 84 - 50 * count
    whole, rest = divmod(len(data) - 84, 50)
    if 0 < spare < 50 and count > 0:
        return Facets(
            _records(path.name, data, count),
            warnings=(f"{path.name}: {spare} bytes after the last facet were left out.",),
        )
    cut = f" and {rest} bytes of one more, so it was cut off" if rest else ""
    raise MeshError(
        f"{path.name}: its header says {count} facets, but it holds {whole}{cut}; expected {84 + 50 * count} bytes and "
        f"found {len(data)}. Was the copy or download interrupted? Export the mesh again."
    )


def text_lines(name: str, data: bytes, encoding: str) -> Iterator[tuple[int, str]]:
    """Line by line with its number, whatever the line ends; bytes that are no text become a replacement character."""
    text = io.TextIOWrapper(io.BytesIO(data), encoding=encoding, errors="replace")
    for number, line in enumerate(iter(lambda: text.readline(MAX_LINE + 1), ""), start=1):
        if len(line) > MAX_LINE:
            raise MeshError(f"{name}, line {number} is longer than {MAX_LINE} characters. Is the file damaged?")
        yield number, line


def numbers(words: list[str]) -> tuple[float, ...]:
    """Plain numbers, or ValueError: Python's own reading would take 1_0 for 10 as well."""
    if any("_" in word or not word.isascii() for word in words):
        raise ValueError
    return tuple(map(float, words))


def _records(name: str, data: bytes, count: int) -> NDArray[np.float64]:
    require_few(name, count)
    with np.errstate(invalid="ignore"):  # a signalling NaN; surface_from_triangles names what is no number
        return np.frombuffer(data, RECORD, count=count, offset=84)["corners"].astype(np.float64)


def _read_text_stl(path: Path, data: bytes) -> Facets:
    """Text STL, any number of `solid` blocks. Only the first word of a line matters; names may be anything."""
    corners = array("d")
    facets = solids = closed = 0
    in_facet = -1  # corners so far in the open facet; -1 outside
    for number, line in text_lines(path.name, data, "latin-1"):
        words = line.split()
        if not words:
            continue
        word = words[0].lower()
        if word == "vertex":
            try:
                x, y, z = numbers(words[1:])
            except ValueError:
                raise MeshError(
                    f"{path.name}, line {number}: {shown(line.strip())}; expected 'vertex' and three numbers."
                ) from None
            corners.extend((x, y, z))
            in_facet += 1
        elif word == "facet":
            in_facet = 0
            facets += 1
            require_few(path.name, facets)
        elif word == "endfacet":
            if in_facet != 3:
                raise MeshError(f"{path.name}, line {number}: facet {facets} has {in_facet} corners; expected 3.")
            in_facet = -1
        elif word == "solid":
            solids += 1
        elif word == "endsolid":
            closed += 1
    if solids != closed or len(corners) != 9 * facets or in_facet != -1:
        raise MeshError(
            f"{path.name} is cut off: {solids} 'solid' and {closed} 'endsolid', {facets} facets and "
            f"{len(corners) // 3} corners; expected as many of each and three corners a facet. Was the copy or "
            "download interrupted?"
        )
    return Facets(np.array(corners, dtype=np.float64).reshape(-1, 3, 3))


def read_obj(path: Path, data: bytes) -> Facets:
    """Wavefront OBJ: positions and faces of any number of corners. Texture and normals are left aside."""
    xyz, corners = array("d"), array("q")
    others: dict[str, int] = {}
    highest = -1
    for number, line in _joined(path.name, data):
        words = line.split("#", 1)[0].split()
        if not words:
            continue
        try:
            if words[0] == "v":
                x, y, z = numbers(words[1:4])
                xyz.extend((x, y, z))
            elif words[0] == "f":
                face = _face(words[1:], len(xyz) // 3)
                highest = max(highest, *face)
                require_few(path.name, len(corners) // 3 + len(face) - 2)
                for k in range(1, len(face) - 1):
                    corners.extend((face[0], face[k], face[k + 1]))
            elif words[0] in ("l", "p", "curv", "curv2", "surf"):
                others[words[0]] = others.get(words[0], 0) + 1
        except ValueError:
            raise MeshError(
                f"{path.name}, line {number}: {shown(line.strip())}; expected 'v' and three numbers, or 'f' and "
                "three or more corner numbers. Is the file damaged?"
            ) from None
    vertices = np.array(xyz, dtype=np.float64).reshape(-1, 3)
    if highest >= len(vertices):
        raise MeshError(
            f"{path.name}: a face asks for vertex {highest + 1}, but there are {len(vertices)}. "
            "Was the copy or download interrupted?"
        )
    warnings = tuple(
        f"{path.name}: {n} elements '{kind}' (points, lines or curved surfaces) are no facets and were left out."
        for kind, n in others.items()
    )
    # faces of more corners are fans of triangles. A flat face that is not convex comes out right too: its fan
    # overlaps itself with opposite signs
    return Facets(vertices[np.array(corners, dtype=np.int64).reshape(-1, 3)], warnings=warnings)


def _joined(name: str, data: bytes) -> Iterator[tuple[int, str]]:
    """Lines of an OBJ, those that end in a backslash joined with the next."""
    begun: list[str] = []
    size = number = 0
    for number, line in text_lines(name, data, "utf-8-sig"):
        line = line.rstrip("\n")
        goes_on = line.endswith("\\")
        begun.append(line[:-1] if goes_on else line)
        size += len(line)
        if size > MAX_LINE:
            raise MeshError(f"{name}, line {number}: a line of more than {MAX_LINE} characters, joined from several.")
        if not goes_on:
            yield number, " ".join(begun)
            begun.clear()
            size = 0
    yield number, " ".join(begun)


def _face(words: list[str], known: int) -> list[int]:
    """Vertex numbers from 0 of one face; negative ones count back from the last of `known` vertices."""
    face = [_corner(word.split("/", 1)[0], known) for word in words]
    if len(face) < 3 or min(face) < 0:
        raise ValueError
    return face


def _corner(word: str, known: int) -> int:
    if "_" in word or not word.isascii() or len(word) > 18:  # longer ones are beyond 64 bits
        raise ValueError
    corner = int(word)
    return corner - 1 if corner > 0 else known + corner if corner < 0 else -1
