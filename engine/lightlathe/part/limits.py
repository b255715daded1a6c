"""Limits on mesh files, checked before the work: a file beyond them is refused in seconds, with the number, and not
when memory runs out."""

from lightlathe.errors import MeshError

# Ten million facets are 20 um wide on a part of 20 mm, about a projector's pixel. Reading them takes 4 GB (measured on
# two million: 280 bytes each beside the file and its numbers) and two minutes.
MAX_FACETS = 10_000_000
MAX_BYTES = 3_000_000_000  # of the file: ten million facets as text STL, the longest form, at 260 bytes each
MAX_LINE = 1_000_000  # characters in one line of a text format: a face of a hundred thousand corners
# A corner farther out than a thousand kilometres is damage. Float64 still holds 0.1 um there.
MAX_MM = 1e9
MAX_INWARD = 10_000  # components that face against the rest: about 10 s; time grows with the square
# Each voxel near a hole tests every open edge, 60 ns each: with ten thousand, ten minutes for a million such voxels.
MAX_OPEN = 10_000
MAX_NEAR = 50  # other corners within float32's rounding, on average: a seam has two or a few

# 3MF. Ten million facets as XML are about 60 characters each, with their half as many vertices at 45.
MAX_UNPACKED = 1_000_000_000  # bytes, over all parts of a package together
# Zip reaches 1032, a triangle repeated a million times 412; a flat grid of a million facets 10, real meshes 5 to 8.
MAX_RATIO = 200
HARMLESS = 20_000_000  # bytes unpacked below which the ratio does not matter
MAX_PARTS = 10_000  # files in one package
MAX_USES = 100_000  # objects, components and build items, and placements of objects in all
MAX_NESTED = 100  # XML tags inside each other; the core specification needs six
MAX_TAG = 4_000_000  # bytes from one tag to the next
MAX_TAGS = 40_000_000  # tags in one package: four times MAX_FACETS

MAX_JSON = 100_000_000  # bytes of a glTF description, with the data that is written into it


def require_few(name: str, facets: int) -> None:
    """Raise MeshError where there are more facets than are read."""
    if facets > MAX_FACETS:
        raise MeshError(f"{name} holds {facets} facets; up to {MAX_FACETS} are read. Export a coarser mesh.")
