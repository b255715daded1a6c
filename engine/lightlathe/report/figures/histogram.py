"""Dose histograms of the part and of what is around it."""

import numpy as np

from lightlathe.quantities import LIQUID, SOLID
from lightlathe.report.figures.dose_volume import received
from lightlathe.report.figures.drawn import AROUND, DOSE, PART, SINGLE_MM, Drawn, new_figure, thresholds
from lightlathe.report.figures.scene import Scene
from lightlathe.report.page.volumes import largest

BINS = 100


def dose_histogram(scene: Scene) -> Drawn:
    """Percent of the volume in each of BINS equal bins of dose, on a logarithmic scale."""
    top = max(largest(scene.prediction.dose), scene.solid_above_mj_cm3) * 1.02
    limits = np.linspace(0, top, BINS + 1)
    figure = new_figure(SINGLE_MM, 66)
    axes = figure.subplots()
    thresholds(axes, scene)
    columns = {"from dose [mJ/cm3]": limits[:-1], "to dose [mJ/cm3]": limits[1:]}
    for name, value, colour, dashes in (("part", SOLID, PART, "-"), ("around the part", LIQUID, AROUND, "-")):
        share = 100 * -np.diff(received(scene, value, limits))
        axes.stairs(np.where(share > 0, share, np.nan), limits, color=colour, lw=1.0, label=name, ls=dashes)
        axes.stairs(share, limits, color=colour, alpha=0.25, fill=True)
        columns[f"{name} [% of its volume]"] = share
    axes.set_yscale("log")
    axes.set(xlabel=DOSE, ylabel=f"volume / (% per {top / BINS:.2g} mJ cm$^{{-3}}$)", xlim=(0, top))
    figure.legend(loc="outside upper left", ncols=2, columnspacing=1.2, handlelength=1.8)
    return Drawn(
        figure,
        f"{scene.name}: how the dose is spread over the part's volume and over that of the resin around it, in bins of "
        f"{top / BINS:.3g} mJ/cm3, on voxels of {scene.grid.voxel_mm:g} mm. Grey: between the resin's two doses.",
        columns,
    )
