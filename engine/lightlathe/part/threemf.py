"""3MF: the objects of the build, placed, in mm; and warnings about what this reader does not support.

Source: 3MF core specification 1.3 and production extension 1.1 (3MF Consortium): transforms are 3 x 4 in row-vector
order, p' = p M; components nest; only <build> items are printed; an extension named in `requiredextensions` must be
understood.
"""

from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError, shown
from lightlathe.part.facets import Facets
from lightlathe.part.limits import MAX_FACETS, MAX_USES
from lightlathe.part.package import Package
from lightlathe.part.threemf_xml import Model, Object, Use, start_part

UNITS = {"micron": "um", "millimeter": "mm", "centimeter": "cm", "inch": "inch", "foot": "foot", "meter": "m"}
UNDERSTOOD = ("core", "material", "production")  # colours and materials change no shape
LEFT_OUT = ("support", "solidsupport", "other")
Node = tuple[str, str]  # model part, object id


@dataclass(frozen=True)
class Content:
    """Totals of one object with all its components, each counted as often as it is used."""

    facets: int
    uses: int
    beams: int


def read_3mf(path: Path, data: bytes) -> Facets:
    """Facets of all build items in the file's unit, each component at its place."""
    return _Build(path.name, Package(path.name, data)).facets()


class _Build:
    """One open package: the models read so far, what each object holds, and the warnings."""

    def __init__(self, name: str, package: Package) -> None:
        self.name, self.package = name, package
        self.models: dict[str, Model] = {}
        self.contents: dict[Node, Content] = {}
        self.warnings: list[str] = []

    def facets(self) -> Facets:
        start = start_part(self.name, self.package.stream("_rels/.rels"))
        if start is None:
            raise MeshError(f"{self.name} names no 3D model in _rels/.rels; expected a 3MF package.")
        model = self._model(start)
        if model.unit not in UNITS:
            raise MeshError(f"{self.name} says its unit is {shown(model.unit)}; expected one of {', '.join(UNITS)}.")
        if not model.items:
            raise MeshError(f"{self.name} prints nothing: its <build> has no item.")
        items = [(node, item.transform) for item, node in _inside(start, model.items)]
        self._count([node for node, _ in items])
        found = [self.contents[node] for node, _ in items]
        facets, uses = sum(c.facets for c in found), sum(c.uses for c in found)
        for count, max_count, what in ((facets, MAX_FACETS, "triangles"), (uses, MAX_USES, "objects and components")):
            if count > max_count:
                much = str(count) if count < 10**15 else "more than 10^15"
                raise MeshError(
                    f"{self.name}: its build places {much} {what}, components within components counted as often as "
                    f"they are used; up to {max_count} are read."
                )
        self._look_at_beams(sum(c.beams for c in found), facets)
        return Facets(self._placed(items, facets), UNITS[model.unit], tuple(self.warnings))

    def _look_at_beams(self, beams: int, facets: int) -> None:
        if not beams:
            return
        message = f"{self.name}: the build uses a beam lattice of {beams} beams, which is not read"
        if facets == 0:
            raise MeshError(f"{message}, and nothing else. Turn the beams into a mesh before exporting.")
        self.warnings.append(f"{message}: only the {facets} triangles are printed, the lattice is missing.")

    def _model(self, part: str) -> Model:
        if part not in self.models:
            model = self.models[part] = Model(self.name, part, self.package.stream(part))
            for prefix, space in model.needs.items():
                if not any(f"/{known}/" in space for known in (*UNDERSTOOD, "beamlattice")):
                    raise MeshError(
                        f"{self.name} needs the 3MF extension {shown(prefix)} ({shown(space)}), which is not "
                        "understood; what it adds would be missing. Export plain meshes."
                    )
        return self.models[part]

    def _object(self, node: Node) -> Object:
        part, key = node
        objects = self._model(part).objects
        if key not in objects:
            raise MeshError(
                f"{self.name}: the build asks for object {shown(key)}, which is not in {shown(part)}. Is the "
                "file damaged?"
            )
        return objects[key]

    def _count(self, tops: list[Node]) -> None:
        """What these hold, without placing anything: each object once, however deep and however often it is used."""
        components: dict[Node, list[Node]] = {}
        ahead = tops[::-1]
        while ahead:
            node = ahead.pop()
            if node not in components:
                components[node] = self._components(node)
                ahead += components[node]
        try:
            for node in TopologicalSorter(components).static_order():  # what an object consists of comes before it
                self.contents[node] = self._sum(node)
        except CycleError as ring:
            raise MeshError(f"{self.name}: object {shown(ring.args[1][0][1])} contains itself.") from None

    def _components(self, node: Node) -> list[Node]:
        thing = self._object(node)
        if thing.kind in LEFT_OUT:
            self.warnings.append(f"{self.name}: object {shown(node[1])} is of type '{thing.kind}' and was left out.")
            return []
        return [child for _, child in _inside(node[0], thing.components)]

    def _sum(self, node: Node) -> Content:
        thing = self._object(node)
        if thing.kind in LEFT_OUT:
            return Content(0, 1, 0)
        parts = [self.contents[child] for _, child in _inside(node[0], thing.components)]
        return Content(
            len(thing.corners) // 3 + sum(p.facets for p in parts),
            1 + sum(p.uses for p in parts),
            thing.beams + sum(p.beams for p in parts),
        )

    def _placed(self, items: list[tuple[Node, NDArray[np.float64]]], facets: int) -> NDArray[np.float64]:
        """Triangles (facets, 3, 3) of all objects; a transform (4, 3) maps an object's coordinates to the build's."""
        triangles = np.empty((facets, 3, 3))
        filled = 0
        ahead = items[::-1]
        while ahead:
            node, placed = ahead.pop()
            thing = self._object(node)
            if self.contents[node].facets == 0:
                continue
            mesh = self._mesh(node[1], thing, placed)
            triangles[filled : filled + len(mesh)] = mesh
            filled += len(mesh)
            for use, child in reversed(_inside(node[0], thing.components)):
                inner = use.transform
                with np.errstate(all="ignore"):  # what runs over is refused as no number
                    both = np.concatenate([inner[:3] @ placed[:3], inner[3:] @ placed[:3] + placed[3:]])
                ahead.append((child, both))
        return triangles

    def _mesh(self, key: str, thing: Object, placed: NDArray[np.float64]) -> NDArray[np.float64]:
        vertices = np.array(thing.xyz, dtype=np.float64).reshape(-1, 3)
        triangles = np.array(thing.corners, dtype=np.int64).reshape(-1, 3)
        if len(triangles) and triangles.max() >= len(vertices):
            raise MeshError(
                f"{self.name}: a triangle of object {shown(key)} asks for vertex {int(triangles.max())}, but there are "
                f"{len(vertices)} (numbered from 0). Is the file damaged?"
            )
        with np.errstate(all="ignore"):  # what runs over is refused as no number
            if np.linalg.det(placed[:3]) < 0:
                triangles = triangles[:, ::-1]  # a mirrored object keeps its outside
            return (vertices @ placed[:3] + placed[3])[triangles]


def _inside(part: str, uses: list[Use]) -> list[tuple[Use, Node]]:
    """Each use with the object that it means."""
    return [(use, (part if use.part is None else use.part, use.key)) for use in uses]
