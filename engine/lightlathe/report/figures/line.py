"""Dose along a straight line through the vial."""

import math
from collections.abc import Sequence

import numpy as np

from lightlathe.errors import ResultError
from lightlathe.quantities import HALF
from lightlathe.report.figures.drawn import DOSE, PURPLE, SINGLE_MM, SKY, Drawn, new_figure, thresholds
from lightlathe.report.figures.scene import Scene

STEP_VOXELS = 0.25
MOST_POINTS = 100_000


def along_line(scene: Scene, ends_mm: Sequence[float]) -> Drawn:
    """Dose and wanted fraction along the line from (x, y, z) to (x, y, z), linear between the centres of voxels.

    ends_mm   six numbers
    Raises ResultError for ends outside the grid, or at one place.
    """
    from scipy.ndimage import map_coordinates

    ends = np.array(ends_mm, float).reshape(2, 3)
    grid = scene.grid
    half = np.array(grid.extent_mm) / 2
    if not bool((np.abs(ends) <= half * (1 + 1e-9)).all()):
        spans = ", ".join(f"{axis} from {-h:.6g} to {h:.6g}" for axis, h in zip("xyz", half, strict=True))
        raise ResultError(f"the line {_words(ends)} leaves the grid; expected {spans} mm.")
    length = float(np.linalg.norm(ends[1] - ends[0]))
    if length == 0:
        raise ResultError(f"the line {_words(ends)} has no length; expected two places.")
    steps = min(MOST_POINTS, max(2, math.ceil(length / (STEP_VOXELS * grid.voxel_mm))))
    share = np.linspace(0, 1, steps + 1)
    places = ends[0] + share[:, None] * (ends[1] - ends[0])
    index = places / grid.voxel_mm + (np.array(grid.shape) - 1) / 2
    insert = np.zeros(len(places)) if scene.part.insert is None else scene.part.insert.numpy()
    dose, covered, insert = (
        volume if volume.ndim == 1 else map_coordinates(volume, index.T, order=1, mode="nearest", prefilter=False)
        for volume in (scene.dose, scene.coverage, insert)
    )
    wanted = np.clip(covered - insert, 0, None)
    at_mm = share * length
    figure = new_figure(SINGLE_MM, 62)
    axes = figure.subplots()
    thresholds(axes, scene, along="y")
    top = 1.08 * max(float(dose.max()), scene.solid_above_mj_cm3)
    axes.fill_between(at_mm, 0, top, where=list(wanted >= HALF), color=SKY, alpha=0.3, lw=0, label="part wanted")
    if scene.part.insert is not None:
        axes.fill_between(at_mm, 0, top, where=list(insert >= HALF), color=PURPLE, alpha=0.4, lw=0, label="insert")
    axes.plot(at_mm, dose, color="black", label="dose")
    axes.set(xlabel="distance / mm", ylabel=DOSE, xlim=(0, length), ylim=(0, top))
    figure.legend(loc="outside upper left", ncols=2, columnspacing=1.2, handlelength=1.8)
    columns = {"distance [mm]": at_mm, "x [mm]": places[:, 0], "y [mm]": places[:, 1], "z [mm]": places[:, 2]}
    columns |= {"dose [mJ/cm3]": dose, "dose / gel dose [1]": dose / scene.gel_mj_cm3, "part wanted [1]": wanted}
    return Drawn(
        figure,
        f"{scene.name}: dose along the line {_words(ends)}, linear between voxel centres {grid.voxel_mm:g} mm apart. "
        "Shaded: where the part is wanted. Grey: between the resin's two doses.",
        columns,
    )


def _words(ends: np.ndarray) -> str:
    first, last = ("(" + ", ".join(f"{value:g}" for value in end) + ")" for end in ends)
    return f"from {first} to {last} mm"
