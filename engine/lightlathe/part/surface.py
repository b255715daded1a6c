"""A mesh after repair: welded, cleaned, its components oriented outwards, with a report of what was found."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError
from lightlathe.part.limits import MAX_MM, MAX_OPEN, require_few
from lightlathe.part.units import size_text
from lightlathe.support.words import amount, count


@dataclass(frozen=True)
class MeshReport:
    """The properties of a mesh and its repairs, as plain numbers. Lengths mm.

    name, unit         of the file; the unit that its numbers were read in
    triangles          facets kept
    components         connected components: groups of facets joined by edges
    watertight         every edge is used as often in one direction as in the other
    open_edges         edges where that is not so
    non_manifold_edges   edges shared by more than two facets (touching sheets); harmless
    dropped_duplicates, dropped_flat   facets left out: exact copies, and those without area
    welded_mm          0, or the distance within which nearly equal corners were made one
    flipped_facets       facets oriented against their neighbours, flipped
    flipped_components   components that faced inwards, flipped
    size_mm, volume_mm3  the bounding box, and the signed volume of the facets after repair
    """

    name: str
    unit: str
    triangles: int
    components: int
    watertight: bool
    open_edges: int
    non_manifold_edges: int
    dropped_duplicates: int
    dropped_flat: int
    welded_mm: float
    flipped_facets: int
    flipped_components: int
    size_mm: tuple[float, float, float]
    volume_mm3: float

    def text(self) -> str:
        """One line: what was read, its size, whether it is closed, what was repaired."""
        closed = "watertight" if self.watertight else f"NOT watertight ({count(self.open_edges, 'open edge')})"
        copies = count(self.dropped_duplicates, "copy", "copies")
        mended = {
            f"{copies} and {count(self.dropped_flat, 'flat facet')} left out": self.dropped_duplicates
            + self.dropped_flat,
            f"corners up to {amount(self.welded_mm)} mm apart joined": self.welded_mm,
            f"{count(self.flipped_facets, 'wrongly wound facet')} turned": self.flipped_facets,
            f"{count(self.flipped_components, 'inward component')} turned": self.flipped_components,
        }
        return (
            f"{self.name}: {size_text(self.size_mm)} as placed (read in {self.unit}), {amount(self.volume_mm3, 4)} "
            f"mm3, {count(self.triangles, 'triangle')}, {count(self.components, 'component')}, {closed}; "
            f"{', '.join(what for what, much in mended.items() if much) or 'nothing to mend'}"
        )


@dataclass(frozen=True)
class Surface:
    """Facets in mm, counter-clockwise seen from outside.

    vertices_mm (v, 3) float64, faces (f, 3) int64. Equal corners are one vertex.
    files       SHA-256 of the bytes that were read, by name: the mesh file, and what it refers to in its folder
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]
    report: MeshReport
    warnings: tuple[str, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)

    @property
    def triangles(self) -> NDArray[np.float64]:
        """(f, 3, 3) mm: corner positions of every facet."""
        return self.vertices_mm[self.faces]

    @property
    def bounds_mm(self) -> NDArray[np.float64]:
        """(2, 3): the lowest and the highest corner of the bounding box."""
        return np.stack([self.vertices_mm.min(0), self.vertices_mm.max(0)])

    @property
    def size_mm(self) -> NDArray[np.float64]:
        return np.ptp(self.vertices_mm, axis=0)

    @property
    def reach_mm(self) -> float:
        """Distance of the farthest corner from the turning axis."""
        return float(np.hypot(self.vertices_mm[:, 0], self.vertices_mm[:, 1]).max())

    @property
    def volume_mm3(self) -> float:
        """Signed volume of the facets: exact for a simple closed skin, overlaps counted twice."""
        return signed_volume(self.vertices_mm, self.faces)

    def moved(self, vertices_mm: NDArray[np.float64]) -> "Surface":
        """The same facets with other corner positions."""
        report = replace(self.report, size_mm=_size(vertices_mm), volume_mm3=signed_volume(vertices_mm, self.faces))
        return replace(self, vertices_mm=vertices_mm, report=report)


def surface_from_triangles(
    triangles_mm: NDArray[np.float64], name: str, unit: str = "mm", warnings: Sequence[str] = ()
) -> Surface:
    """Weld, clean and orient loose facets (n, 3, 3) in mm; `name` stands in messages, `unit` in the report.

    Raises MeshError where a corner is no finite number or nothing is enclosed.
    """
    from lightlathe.part import edges, repair

    triangles_mm = np.asarray(triangles_mm, dtype=np.float64)
    given, notes = len(triangles_mm), list(warnings)
    require_few(name, given)
    bad: NDArray[np.bool_] = np.logical_not(np.isfinite(triangles_mm.reshape(-1, 9)).all(axis=1))
    if bad.any():
        raise MeshError(
            f"{name}: {int(bad.sum())} of {given} facets have a corner that is not a finite number (the first is facet "
            f"{int(bad.argmax()) + 1}); expected numbers only. The file is damaged: export it again."
        )
    farthest = float(np.abs(triangles_mm).max(initial=0.0))
    if farthest > MAX_MM:
        raise MeshError(
            f"{name} has a corner {farthest:.3g} mm from the origin; expected none beyond {MAX_MM:g} mm (1000 km). Is "
            "its unit right, or the file damaged?"
        )
    vertices, faces = repair.weld(triangles_mm)
    faces, flat = repair.drop_flat(vertices, faces)
    faces, copies = repair.drop_copies(faces)
    if len(faces) == 0:
        raise MeshError(
            f"{name} encloses nothing: none of its {given} facets has an area; expected the closed skin of a solid."
        )
    if flat or copies:
        notes.append(
            f"{name}: left out {flat} facets without area and {copies} copies of facets, of {given} facets in all."
        )
    welded_mm = 0.0
    if edges.open_edges(faces):
        vertices, faces, welded_mm = repair.weld_close(vertices, faces)
        if welded_mm:
            notes.append(f"{name}: open seams were closed by joining corners up to {amount(welded_mm, 3)} mm apart.")
    faces, turned = repair.orient_consistently(faces)
    if turned:
        notes.append(f"{name}: {turned} facets faced against their neighbours and were turned.")
    components = repair.components_of(faces)
    faces, inverted = repair.orient_outwards(vertices, faces, components, name)
    if inverted:
        notes.append(
            f"{name}: {inverted} of {count(int(components.max()) + 1, 'component')} faced inwards (normals point into "
            "the solid); turned and taken as solid."
        )
    used, faces = np.unique(faces, return_inverse=True)
    vertices, faces = vertices[used], faces.reshape(-1, 3).astype(np.int64)
    opened = edges.open_edges(faces)
    if opened > MAX_OPEN:
        raise MeshError(
            f"{name} is not watertight at {opened} open edges; the holes of up to {MAX_OPEN} are closed. Are its "
            "facets joined at all? Mend it with a mesh program."
        )
    if opened:
        notes.append(
            f"{name} is not watertight: {opened} open edges. The holes are closed where the winding number passes one "
            "half; look at the voxels before printing."
        )
    non_manifold = edges.non_manifold_edges(faces)
    if non_manifold:
        notes.append(
            f"{name}: more than two facets meet at each of {non_manifold} edges (surfaces touch there); kept so."
        )
    refuse_hollow(name, vertices, faces)
    report = MeshReport(
        name=name,
        unit=unit,
        triangles=len(faces),
        components=int(components.max()) + 1,
        watertight=opened == 0,
        open_edges=opened,
        non_manifold_edges=non_manifold,
        dropped_duplicates=copies,
        dropped_flat=flat,
        welded_mm=welded_mm,
        flipped_facets=turned,
        flipped_components=inverted,
        size_mm=_size(vertices),
        volume_mm3=signed_volume(vertices, faces),
    )
    return Surface(vertices, faces, report, tuple(notes))


def refuse_hollow(name: str, vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> None:
    """Raise MeshError where the facets, closed over their holes, have no volume."""
    from lightlathe.part.openings import caps

    points, closed = caps(vertices, faces)
    extent = float((vertices.max(0) - vertices.min(0)).max())
    volume = abs(signed_volume(points, np.concatenate([faces, closed])))
    if volume <= 1e-12 * extent**3:  # rounding of a sum of signed tetrahedra; a foil 1e-9 thick still passes
        raise MeshError(
            f"{name} encloses nothing: its {count(len(faces), 'facet')}, closed over "
            f"{count(len(closed), 'open edge')}, hold a volume of 0; expected the closed skin of a solid. Is it a "
            "sheet? Give it a thickness."
        )


def _size(vertices: NDArray[np.float64]) -> tuple[float, float, float]:
    x, y, z = (float(s) for s in np.ptp(vertices, axis=0))
    return x, y, z


def signed_volume(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> float:
    """Volume under the facets by the divergence theorem, summed about the mesh's own middle."""
    if len(faces) == 0:
        return 0.0
    centred = vertices - (vertices.max(0) + vertices.min(0)) / 2
    a, b, c = (centred[faces[:, corner]] for corner in range(3))
    return math.fsum(np.einsum("ij,ij->i", a, np.cross(b, c)).tolist()) / 6
