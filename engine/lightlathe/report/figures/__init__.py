"""Figures for print, one kind in a file, and the numbers in them as CSV.

A kind is a function Scene -> Drawn and one line in KINDS.
"""

from collections.abc import Callable

from lightlathe.report.figures.dose_volume import dose_volume
from lightlathe.report.figures.drawn import Drawn
from lightlathe.report.figures.histogram import dose_histogram
from lightlathe.report.figures.per_slice import per_slice
from lightlathe.report.figures.scene import Scene
from lightlathe.report.figures.slices import usual

KINDS: dict[str, Callable[[Scene], Drawn]] = {
    "slices_x": lambda scene: usual(scene, 0),
    "slices_y": lambda scene: usual(scene, 1),
    "slices_z": lambda scene: usual(scene, 2),
    "dose_volume": dose_volume,
    "dose_histogram": dose_histogram,
    "per_slice": per_slice,
}
