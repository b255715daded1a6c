"""3MF: what the build refers to, at its place, in mm; and what this reader would miss.

Source: 3MF core specification 1.3 and production extension 1.1 (3MF Consortium): transforms are 3 x 4 in row-vector
order, p' = p M; components nest; only <build> items are printed; an extension named in `requiredextensions` must be
understood.
"""

import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError
from lightlathe.part.reading import Facets

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
PRODUCTION = "{http://schemas.microsoft.com/3dmanufacturing/production/2015/06}"
UNITS = {"micron": "um", "millimeter": "mm", "centimeter": "cm", "inch": "inch", "foot": "foot", "meter": "m"}
UNDERSTOOD = ("core", "material", "production")  # colours and materials change no shape


def read_3mf(path: Path) -> Facets:
    """Facets of all build items in the file's unit, each component at its place."""
    try:
        with zipfile.ZipFile(path) as archive:
            return _Package(path.name, archive).facets()
    except (zipfile.BadZipFile, ElementTree.ParseError, KeyError, ValueError, IndexError) as error:
        raise MeshError(
            f"{path.name} cannot be read as 3MF: {type(error).__name__}: {error}. Is the file damaged or cut off?"
        ) from error


class _Package:
    """One open 3MF archive: model parts read so far, and the warnings."""

    def __init__(self, name: str, archive: zipfile.ZipFile) -> None:
        self.name, self.archive = name, archive
        self.models: dict[str, tuple[ElementTree.Element, dict[str, ElementTree.Element]]] = {}
        self.warnings: list[str] = []
        self.beams = 0

    def facets(self) -> Facets:
        start = self._start()
        root, _ = self._model(start)
        unit = root.get("unit", "millimeter")
        if unit not in UNITS:
            raise MeshError(f"{self.name} says its unit is {unit!r}; expected one of {', '.join(UNITS)}.")
        items = root.findall(f"{CORE}build/{CORE}item")
        if not items:
            raise MeshError(f"{self.name} prints nothing: its <build> has no item.")
        pieces: list[NDArray[np.float64]] = []
        for item in items:
            where = item.get(f"{PRODUCTION}path", start)
            pieces += self._object(where, _attribute(item, "objectid"), _transform(item.get("transform")), ())
        triangles = np.concatenate([np.empty((0, 3, 3)), *pieces])
        if self.beams:
            message = f"{self.name}: the build uses a beam lattice of {self.beams} beams, which is not read"
            if len(triangles) == 0:
                raise MeshError(f"{message}, and nothing else. Turn the beams into a mesh before exporting.")
            self.warnings.append(f"{message}: only the {len(triangles)} triangles are printed, the lattice is missing.")
        return Facets(triangles, UNITS[unit], tuple(self.warnings))

    def _start(self) -> str:
        relations = ElementTree.fromstring(self.archive.read("_rels/.rels"))
        for relation in relations:
            if relation.get("Type", "").endswith("/3dmodel"):
                return relation.get("Target", "")
        raise MeshError(f"{self.name} names no 3D model in _rels/.rels; expected a 3MF package.")

    def _model(self, where: str) -> tuple[ElementTree.Element, dict[str, ElementTree.Element]]:
        if where not in self.models:
            data = self.archive.read(where.lstrip("/"))
            root = ElementTree.fromstring(data)
            self._look_at_extensions(root, data)
            objects = {_attribute(o, "id"): o for o in root.findall(f"{CORE}resources/{CORE}object")}
            self.models[where] = root, objects
        return self.models[where]

    def _look_at_extensions(self, root: ElementTree.Element, data: bytes) -> None:
        head = data[: data.find(b">", data.find(b"<model")) + 1].decode("utf-8", errors="replace")
        spaces = dict(re.findall(r'xmlns:(\w+)\s*=\s*"([^"]*)"', head))
        for prefix in root.get("requiredextensions", "").split():
            space = spaces.get(prefix, prefix)
            if not any(f"/{known}/" in space for known in (*UNDERSTOOD, "beamlattice")):
                raise MeshError(
                    f"{self.name} needs the 3MF extension {prefix!r} ({space}), which is not understood; what it adds "
                    "would be missing. Export plain meshes."
                )

    def _object(
        self, where: str, key: str, placed: NDArray[np.float64], above: tuple[tuple[str, str], ...]
    ) -> Iterator[NDArray[np.float64]]:
        """Triangles of one object and all its components; `placed` (4, 3) maps its coordinates to the build's."""
        if (where, key) in above:
            raise MeshError(f"{self.name}: object {key} contains itself.")
        _, objects = self._model(where)
        if key not in objects:
            raise MeshError(f"{self.name}: the build asks for object {key}, which is not in {where}.")
        thing = objects[key]
        if thing.get("type", "model") in ("support", "solidsupport", "other"):
            self.warnings.append(f"{self.name}: object {key} is of type {thing.get('type')!r} and was left out.")
            return
        mesh = thing.find(f"{CORE}mesh")
        if mesh is not None:
            self.beams += sum(1 for element in mesh.iter() if element.tag.endswith("}beam"))
            yield self._mesh(key, mesh, placed)
        for component in thing.findall(f"{CORE}components/{CORE}component"):
            inner = _transform(component.get("transform"))
            both = np.concatenate([inner[:3] @ placed[:3], inner[3:] @ placed[:3] + placed[3:]])
            path = component.get(f"{PRODUCTION}path", where)
            yield from self._object(path, _attribute(component, "objectid"), both, (*above, (where, key)))

    def _mesh(self, key: str, mesh: ElementTree.Element, placed: NDArray[np.float64]) -> NDArray[np.float64]:
        vertices = _table(mesh, "vertices/{}vertex", ("x", "y", "z"), float)
        triangles = _table(mesh, "triangles/{}triangle", ("v1", "v2", "v3"), int).astype(np.int64)
        if len(triangles) and (triangles.min() < 0 or triangles.max() >= len(vertices)):
            raise MeshError(
                f"{self.name}: a triangle of object {key} asks for vertex {int(triangles.max())}, but there are "
                f"{len(vertices)} (numbered from 0)."
            )
        if np.linalg.det(placed[:3]) < 0:
            triangles = triangles[:, ::-1]  # a mirrored object keeps its outside
        return (vertices @ placed[:3] + placed[3])[triangles]


def _table(mesh: ElementTree.Element, below: str, names: tuple[str, str, str], kind) -> NDArray:
    rows = [[kind(_attribute(e, n)) for n in names] for e in mesh.iterfind(CORE + below.format(CORE))]
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def _attribute(element: ElementTree.Element, name: str) -> str:
    value = element.get(name)
    if value is None:
        raise ValueError(f"<{element.tag.rpartition('}')[2]}> has no {name}")
    return value


def _transform(text: str | None) -> NDArray[np.float64]:
    """(4, 3): the last row is the shift; points are rows, p' = p M."""
    if text is None:
        return np.concatenate([np.eye(3), np.zeros((1, 3))])
    return np.array([float(w) for w in text.split()]).reshape(4, 3)
