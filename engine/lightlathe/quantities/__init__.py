"""The data types that stages exchange. Axes, frames and units are defined here and nowhere else.

Lengths mm, angles rad, doses mJ/cm3, absorption 1/mm (base e). Volumes are [x, y, z] and patterns
[angle, column, row], both C-ordered with z (row 0 lowest) as the last, contiguous axis.
Vial frame: x, y, z right-handed, z up along the turning axis, origin on the axis at half the grid's height.
Lab frame: s across, t along the light; at scan angle a the point (x, y) sits at
s = x cos a + y sin a, t = -x sin a + y cos a.
"""

from lightlathe.quantities.absorbers import Absorber, joint_classes
from lightlathe.quantities.by_row import ByRow, Light, rows_first, rows_last, rows_of, span
from lightlathe.quantities.codes import Codes, at_hand
from lightlathe.quantities.defocus import Astigmatism, Defocus
from lightlathe.quantities.footprint import Footprint
from lightlathe.quantities.grid import Grid
from lightlathe.quantities.in_slices import Volume, Where, any_in_slices, slices_of, unpacked_from
from lightlathe.quantities.light import Chords, Optics
from lightlathe.quantities.magnification import Magnification
from lightlathe.quantities.mesh import TriangleMesh
from lightlathe.quantities.packed import Packed
from lightlathe.quantities.packing import Packing
from lightlathe.quantities.patterns import Field, Patterns
from lightlathe.quantities.shadows import Shadows
from lightlathe.quantities.tilt import Tilt
from lightlathe.quantities.volumes import (
    HALF,
    IGNORED,
    LIQUID,
    SOLID,
    Absorbing,
    FineShape,
    Part,
    Prediction,
    Target,
)

__all__ = [
    "HALF", "IGNORED", "LIQUID", "SOLID", "Absorber", "Absorbing", "Astigmatism", "ByRow", "Chords", "Codes", "Defocus",
    "Field", "FineShape", "Footprint", "Grid", "Light", "Magnification", "Optics", "Packed", "Packing", "Part",
    "Patterns", "Prediction", "Shadows", "Target", "Tilt", "TriangleMesh", "Volume", "Where", "any_in_slices",
    "at_hand", "joint_classes", "rows_first", "rows_last", "rows_of", "slices_of", "span", "unpacked_from",
]  # fmt: skip
