"""The part stage: mesh files and analytic shapes -> covered fraction of each voxel, and what each voxel must become.

Read in this order: reading (files -> Surface), placement (into the vial), fitting (does it fit; the grid), coverage
(voxels), thin (walls below a voxel), roles (solid, liquid, not judged). Nothing here loads a mesh library or a compiler
before a mesh is read or counted.
"""

from lightlathe.part.coverage import coverage
from lightlathe.part.ends import level_ends
from lightlathe.part.fitting import FitReport, Scaling, fit, grid_for, require_fit
from lightlathe.part.placement import matrix_to_vial, place
from lightlathe.part.reading import read_surface
from lightlathe.part.roles import conflicts, judge, near_surface, require_some
from lightlathe.part.shapes import SHAPES
from lightlathe.part.surface import Surface, surface_from_triangles
from lightlathe.part.thin import ThinReport, thin_walls
from lightlathe.part.voxels import Voxels

__all__ = [
    "SHAPES", "FitReport", "Scaling", "Surface", "ThinReport", "Voxels", "conflicts", "coverage", "fit", "grid_for",
    "judge", "level_ends", "matrix_to_vial", "near_surface", "place", "read_surface", "require_fit", "require_some",
    "surface_from_triangles",
    "thin_walls",
]  # fmt: skip
