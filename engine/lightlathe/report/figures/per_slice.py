"""Slice by slice along the axis: the doses that limit the window, the volume that is wrong, the overlap."""

import numpy as np

from lightlathe.quantities import LIQUID, SOLID
from lightlathe.report.figures.drawn import AROUND, BLUE, DOUBLE_MM, PART, RED, Drawn, new_figure, thresholds
from lightlathe.report.figures.scene import Scene


def per_slice(scene: Scene) -> Drawn:
    """Three panels over z: least dose in the part and most outside, wrong volume per height, overlap."""
    z = scene.grid.centres_mm(2).numpy()
    least, most = limits(scene)
    fine_z = scene.print_grid.centres_mm(2).numpy()
    right, under, over = counts(scene)
    each_mm2 = scene.print_grid.voxel_mm**2
    overlap = right / np.where(right + under + over > 0, right + under + over, np.nan)
    figure = new_figure(DOUBLE_MM, 110)
    top, middle, bottom = figure.subplots(3, 1, sharex=True)
    thresholds(top, scene, along="y")
    top.plot(z, least, color=PART, label="least dose in the part")
    top.plot(z, most, color=AROUND, ls=(0, (5, 1.5)), label="most dose around it")
    top.set_ylabel("dose /\n(mJ cm$^{-3}$)")
    top.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.3)
    middle.plot(fine_z, under * each_mm2, color=BLUE, label="liquid, wrong")
    middle.plot(fine_z, over * each_mm2, color=RED, ls=(0, (5, 1.5)), label="solid, wrong")
    middle.set_ylabel("wrong area of\na slice / mm$^2$")
    middle.set_ylim(bottom=0)
    middle.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.3)
    bottom.plot(fine_z, overlap, color="0.2", label="overlap")
    bottom.set_ylabel("overlap / 1")
    bottom.set_ylim(top=1.005)
    bottom.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.3)
    bottom.set_xlabel("z / mm")
    bottom.set_xlim(-scene.grid.extent_mm[2] / 2, scene.grid.extent_mm[2] / 2)
    times = len(fine_z) // len(z)
    window = 1 - most / np.where(least > 0, least, np.nan)
    columns = {
        "z [mm]": fine_z,
        "least dose in the part [mJ/cm3]": np.repeat(least, times),
        "most dose around it [mJ/cm3]": np.repeat(most, times),
        "window [1]": np.repeat(window, times),
        "liquid by mistake [mm2]": under * each_mm2,
        "solid by mistake [mm2]": over * each_mm2,
        "overlap [1]": overlap,
    }
    return Drawn(
        figure,
        f"{scene.name}, slice by slice: the doses between which a threshold prints a slice right, on voxels of "
        f"{scene.grid.voxel_mm:g} mm; area that turns out wrong, and overlap (correct solid over part or wrongly "
        f"solid), on voxels of {scene.print_grid.voxel_mm:g} mm. Grey: between the resin's two doses.",
        columns,
    )


def limits(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """(z,) least dose in the part and most dose around it, NaN where a slice has none; layer by layer of x."""
    least, most = np.full(scene.grid.shape[2], np.inf), np.full(scene.grid.shape[2], -np.inf)
    for dose, judged in zip(scene.dose, scene.judged, strict=True):
        np.minimum(least, np.where(judged == SOLID, dose, np.inf).min(0), out=least)
        np.maximum(most, np.where(judged == LIQUID, dose, -np.inf).max(0), out=most)
    return np.where(np.isfinite(least), least, np.nan), np.where(np.isfinite(most), most, np.nan)


def counts(scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(z of the print's grid,) voxels of the part that turn solid, that stay liquid, and others that turn solid."""
    right, under, over = (np.zeros(scene.print_grid.shape[2], np.int64) for _ in range(3))
    for judged, solid in zip(scene.print_judged, scene.print_solid, strict=True):
        part = judged == SOLID
        right += (part & solid).sum(0)
        under += (part & ~solid).sum(0)
        over += ((judged == LIQUID) & solid).sum(0)
    return right, under, over
