"""Dose-volume curves: how much of the part, and of what is around it, gets at least a dose."""

import numpy as np

from lightlathe.judge.order import edges
from lightlathe.quantities import LIQUID, SOLID
from lightlathe.report.figures.drawn import AROUND, DOSE, PART, SINGLE_MM, Drawn, new_figure, thresholds
from lightlathe.report.figures.scene import Scene
from lightlathe.report.page.volumes import largest

POINTS = 401  # of a curve


def dose_volume(scene: Scene) -> Drawn:
    """Cumulative dose-volume histogram: percent of the volume against dose, as in ICRU Report 83."""
    top = max(largest(scene.prediction.dose), scene.solid_above_mj_cm3) * 1.02
    doses = np.linspace(0, top, POINTS)
    figure = new_figure(SINGLE_MM, 66)
    axes = figure.subplots()
    thresholds(axes, scene)
    columns = {"dose [mJ/cm3]": doses}
    names = (("part", SOLID, PART, "-"), ("around the part", LIQUID, AROUND, (0, (5, 1.5))))
    for name, value, colour, dashes in names:
        curve = 100 * received(scene, value, doses)
        axes.plot(doses, curve, color=colour, ls=dashes, label=name)
        columns[f"{name} [% of its volume]"] = curve
    axes.set(xlabel=DOSE, ylabel="volume at or above the dose / %", xlim=(0, top), ylim=(0, 102))
    figure.legend(loc="outside upper left", ncols=2, columnspacing=1.2, handlelength=1.8)
    return Drawn(
        figure,
        f"{scene.name}: share of the part's volume, and of the resin around it, that gets at least a dose, on voxels "
        f"of {scene.grid.voxel_mm:g} mm. Grey: between the doses of {scene.liquid_below_mj_cm3:.4g} and "
        f"{scene.solid_above_mj_cm3:.4g} mJ/cm3 below which the resin stays liquid and above which it is solid.",
        columns,
    )


def received(scene: Scene, value: int, doses: np.ndarray) -> np.ndarray:
    """Share of the voxels with that value that get at least each dose; exact to 1/2000 of the dose. NaN for none."""
    counts = scene.doses[value]
    total = counts.sum()
    if not total:
        return np.full(len(doses), np.nan)
    below = np.concatenate([[0], counts.cumsum()])
    return 1 - below[np.searchsorted(edges().numpy(), doses.astype(np.float32), side="left")] / total
