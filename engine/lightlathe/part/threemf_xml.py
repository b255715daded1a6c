"""The XML of 3MF packages, read tag by tag into arrays: relationships, and models with objects and build items.

Sources: 3MF core specification 1.3 (3MF Consortium): no document type definitions, so no entities that grow; object
ids are unique in a model. The name space of 2013/01, which early programs wrote, holds the same objects.
"""

import re
from array import array
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError, shown
from lightlathe.part.limits import MAX_FACETS, MAX_NESTED, MAX_TAG, MAX_TAGS, MAX_USES

CORE = (
    "http://schemas.microsoft.com/3dmanufacturing/core/2015/02",
    "http://schemas.microsoft.com/3dmanufacturing/2013/01",
)
RELATIONSHIPS = ("http://schemas.openxmlformats.org/package/2006/relationships",)
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
FORM = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True)
class Use:
    """One object at one place: a build item or a component. `part` is None for the model that it stands in."""

    part: str | None
    key: str
    transform: NDArray[np.float64]  # (4, 3): the last row is the shift; points are rows, p' = p M


@dataclass
class Object:
    """One object of a model; `kind` is its type. xyz and corners are flat, three numbers each."""

    kind: str
    xyz: array = field(default_factory=lambda: array("d"))
    corners: array = field(default_factory=lambda: array("q"))
    components: list[Use] = field(default_factory=list)
    beams: int = 0


class Tags:
    """Expat with its guards: calls `opened(path, attributes)` for each tag in one of the name spaces.

    path    names of the open tags, as in 'model/build/item'; foreign tags are '}name' in it
    Raises MeshError for XML that is broken, nests deeper than MAX_NESTED, or declares a document type.
    """

    def __init__(self, name: str, part: str, spaces: tuple[str, ...], opened: Callable[[str, dict[str, str]], None]):
        self.where = f"{name}: {shown(part)}"
        self.spaces, self.opened = spaces, opened
        self.paths: list[str] = []
        self.prefixes: dict[str, str] = {}
        self.tags = 0
        self.parser = parser = expat.ParserCreate(namespace_separator="}")
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.StartDoctypeDeclHandler = self._doctype
        parser.StartNamespaceDeclHandler = self._space

    def feed(self, pieces: Iterable[bytes]) -> None:
        fed = 0
        try:
            for piece in pieces:
                self.parser.Parse(piece, False)
                fed += len(piece)
                if fed - self.parser.CurrentByteIndex > MAX_TAG:
                    self.fail(f"more than {MAX_TAG} bytes in one tag")
            self.parser.Parse(b"", True)
        except (expat.ExpatError, ValueError, OverflowError, LookupError) as error:
            self.fail(f"{shown(str(error))}. Is the file damaged or cut off?", error)

    def fail(self, what: str, cause: Exception | None = None) -> None:
        line = self.parser.CurrentLineNumber
        raise MeshError(f"{self.where}, line {line}: cannot be read as 3MF: {what}") from cause

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        space, _, local = tag.rpartition("}")
        known = space in self.spaces
        if not self.paths and not known:
            came = f"<{shown(local)}> of {shown(space) or 'no name space'}"
            self.fail(f"it begins with {came}; expected {self.spaces[0]}.")
        self.tags += 1
        if len(self.paths) >= MAX_NESTED or self.tags > MAX_TAGS:
            self.fail(f"more than {MAX_NESTED} tags inside each other, or {MAX_TAGS} in all")
        step = local if known else "}" + local[:40]
        self.paths.append(f"{self.paths[-1]}/{step}" if self.paths else step)
        self.opened(self.paths[-1], attributes)

    def _end(self, _: str) -> None:
        self.paths.pop()

    def _doctype(self, *_: object) -> None:
        self.fail("it declares a document type (DTD), which 3MF forbids; entities could grow without end.")

    def _space(self, prefix: str | None, uri: str | None) -> None:
        if not self.paths and len(self.prefixes) < MAX_NESTED:
            self.prefixes[prefix or ""] = uri or ""


class Model:
    """One model part: unit, extensions it needs (prefix -> name space), objects by id, build items."""

    def __init__(self, name: str, part: str, pieces: Iterable[bytes]) -> None:
        self.unit = "millimeter"
        self.needs: dict[str, str] = {}
        self.objects: dict[str, Object] = {}
        self.items: list[Use] = []
        self._now = Object("none")
        self._uses = 0
        self._handlers = {
            "model": self._model,
            "model/resources/object": self._object,
            "model/resources/object/components/component": self._component,
            "model/resources/object/mesh/vertices/vertex": self._vertex,
            "model/resources/object/mesh/triangles/triangle": self._triangle,
            "model/build/item": self._item,
        }
        self._tags = Tags(name, part, CORE, self._opened)
        self._tags.feed(pieces)

    def _opened(self, path: str, attributes: dict[str, str]) -> None:
        handler = self._handlers.get(path)
        if handler is not None:
            try:
                handler(attributes)
            except KeyError as missing:
                self._tags.fail(f"<{path.rpartition('/')[2]}> has no {missing.args[0]}. Is the file damaged?")
        elif path.endswith("/}beam"):
            self._now.beams += 1
        elif path.count("/") == 0:
            self._tags.fail(f"it begins with <{shown(path)}>; expected <model>.")

    def _model(self, a: dict[str, str]) -> None:
        self.unit = a.get("unit", self.unit)
        for prefix in a.get("requiredextensions", "").split()[:MAX_NESTED]:
            self.needs[prefix] = self._tags.prefixes.get(prefix, prefix)

    def _object(self, a: dict[str, str]) -> None:
        self._count_use()
        key = a["id"]
        if key in self.objects:
            self._tags.fail(f"object {shown(key)} appears twice; expected each id once.")
        self._now = self.objects[key] = Object(a.get("type", "model"))

    def _component(self, a: dict[str, str]) -> None:
        self._count_use()
        self._now.components.append(self._use(a))

    def _item(self, a: dict[str, str]) -> None:
        self._count_use()
        self.items.append(self._use(a))

    def _count_use(self) -> None:
        self._uses += 1
        if self._uses > MAX_USES:
            self._tags.fail(f"more than {MAX_USES} objects, components and items; no more are read.")

    def _use(self, a: dict[str, str]) -> Use:
        transform = np.concatenate([np.eye(3), np.zeros((1, 3))])
        text = a.get("transform")
        if text is not None:
            words = text.split()
            if len(words) != 12:
                self._tags.fail(f"a transform of {len(words)} numbers; expected 12.")
            transform = np.array([self._number(word, "transform") for word in words]).reshape(4, 3)
        return Use(a.get(f"{PRODUCTION}}}path"), a["objectid"], transform)

    def _vertex(self, a: dict[str, str]) -> None:
        x, y, z = a["x"], a["y"], a["z"]
        self._now.xyz.extend((self._number(x, "x"), self._number(y, "y"), self._number(z, "z")))

    def _triangle(self, a: dict[str, str]) -> None:
        corners = self._now.corners
        for name in ("v1", "v2", "v3"):
            word = a[name]
            if not (word.isascii() and word.strip().isdigit() and len(word) < 19):
                self._tags.fail(f"{name} of a triangle is {shown(word)}; expected the number of a vertex, from 0.")
            corners.append(int(word))
        if len(corners) > 3 * MAX_FACETS:
            self._tags.fail(f"more than {MAX_FACETS} triangles in one object. Export a coarser mesh.")

    def _number(self, word: str, name: str) -> float:
        if FORM.fullmatch(word.strip()) is None:
            self._tags.fail(f"{name} is {shown(word)}; expected a number.")
        return float(word)


def start_part(name: str, pieces: Iterable[bytes]) -> str | None:
    """Name of the model that a package begins with, from its _rels/.rels; None where it names none."""
    found: list[str] = []

    def opened(path: str, attributes: dict[str, str]) -> None:
        if path == "Relationships/Relationship" and attributes.get("Type", "").endswith("/3dmodel"):
            found.append(attributes.get("Target", ""))

    Tags(name, "_rels/.rels", RELATIONSHIPS, opened).feed(pieces)
    return found[0] if found else None
