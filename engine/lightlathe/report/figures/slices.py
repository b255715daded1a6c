"""Slices across x, y or z: what is wanted, the dose, what turns solid, what turns out wrong."""

import math
from typing import Any

import numpy as np

from lightlathe.errors import ResultError, shown
from lightlathe.quantities import HALF, Grid
from lightlathe.report.figures.drawn import BLUE, DOSE, DOUBLE_MM, ORANGE, PURPLE, RED, Drawn, new_figure
from lightlathe.report.figures.scene import CURED, NOT_JUDGED, OVER, Scene

AXES = "xyz"
DOSE_UP_TO = 1.6  # gel doses: the brightest colour
OUTCOMES = ("not judged", "liquid, right", "solid, right", "liquid, wrong (under-cure)", "solid, wrong (over-cure)")
COLOURS = ("#e4e4e4", "#ffffff", "#9a9a9a", BLUE, RED)
TALL = 1.6  # times as high as wide: panels that stand beside each other
SIDES_MM, ENDS_MM, GAP_MM = 36.0, 22.0, 8.0  # labels and colour bar; titles and legend; what is between rows of panels
HIGHEST_MM = 190.0  # of all panels
BAR_SHARE = 0.3  # of the panel's width that the scale bar may take


def place_of(text: str, grid: Grid) -> tuple[int, float]:
    """(axis, mm) of a slice such as "z=1.2". Raises ResultError for another form or a place outside the grid."""
    name, _, value = text.replace(" ", "").partition("=")
    try:
        axis, at_mm = list(AXES).index(name.lower()), float(value)
    except ValueError:
        raise ResultError(f"slice {shown(text)}; expected an axis and a place in mm, such as z=1.2.") from None
    half = grid.extent_mm[axis] / 2
    if not abs(at_mm) <= half:
        raise ResultError(
            f"slice {shown(text)} is outside the grid; expected {AXES[axis]} from {-half:.6g} to {half:.6g} mm."
        )
    return axis, at_mm


def index_at(grid: Grid, axis: int, at_mm: float) -> int:
    """The slice of voxels that holds a place."""
    n = grid.shape[axis]
    return min(n - 1, max(0, math.floor(at_mm / grid.voxel_mm + n / 2 + 1e-9)))


def usual(scene: Scene, axis: int) -> Drawn:
    """The slice through the turning axis, or across it where most of the part is."""
    return slice_figure(scene, axis, float(scene.grid.centres_mm(axis)[scene.usual[axis]]))


def slice_figure(scene: Scene, axis: int, at_mm: float) -> Drawn:
    """The four panels of the slice of voxels that holds a place along an axis (0, 1, 2 for x, y, z)."""
    across, up = (n for n in range(3) if n != axis)
    half = [length / 2 for length in scene.grid.extent_mm]
    figure, panels = _panels(half[up] / half[across])
    index, fine = index_at(scene.grid, axis, at_mm), index_at(scene.print_grid, axis, at_mm)
    middle = float(scene.grid.centres_mm(axis)[index])
    look = {"origin": "lower", "extent": (-half[across], half[across], -half[up], half[up])}
    image = _fields(scene, panels, axis, index, fine, look)
    _insert(scene, panels, axis, index, look)
    for panel, title in zip(panels, ("wanted", "dose, line at gel dose", "cured", "error"), strict=True):
        panel.set_title(title)
        panel.set(xlabel=f"{AXES[across]} / mm", ylabel=f"{AXES[up]} / mm")
        panel.label_outer()
        _vial(panel, scene, axis, middle)
    _scale_bar(panels[0], half[across])
    for n, line in ((across, panels[0].axvline), (up, panels[0].axhline)):
        line(float(scene.grid.centres_mm(n)[scene.usual[n]]), color=ORANGE, lw=0.7, ls=(0, (5, 3)))
    over = "max" if scene.dose.take(index, axis).max() > DOSE_UP_TO * scene.gel_mj_cm3 else "neither"
    bar = figure.colorbar(image, ax=panels, shrink=0.7, aspect=26, pad=0.015, extend=over)
    bar.set_label(DOSE)
    bar.ax.axhline(scene.gel_mj_cm3, color="white", lw=0.8)
    _legend(figure, scene.part.insert is not None)
    figure.suptitle(f"{scene.name}: slice at {AXES[axis]} = {middle:.2f} mm")
    return Drawn(figure, _caption(scene, axis, middle, across, up))


def _panels(ratio: float) -> tuple[Any, list[Any]]:
    """A figure with four panels, `ratio` times as high as wide: two by two, or in one row where they are tall."""
    wide = 4 if ratio > TALL else 2
    panel_mm = min((DOUBLE_MM - SIDES_MM) / wide, HIGHEST_MM * wide / 4 / ratio)
    figure = new_figure(DOUBLE_MM, ENDS_MM + (4 // wide) * (panel_mm * ratio + GAP_MM))
    panels = figure.subplots(4 // wide, wide, sharex=True, sharey=True)
    return figure, list(panels.flat)


def _fields(scene: Scene, panels: Any, axis: int, index: int, fine: int, look: dict[str, Any]) -> Any:
    """Fills the panels; returns the image of the dose."""
    from matplotlib.colors import ListedColormap

    wanted, dose = scene.coverage.take(index, axis).T, scene.dose.take(index, axis).T
    outcome = scene.outcome((slice(None),) * axis + (fine,)).T
    panels[0].imshow(wanted, cmap="Greys", vmin=0, vmax=1.25, **look)
    image = panels[1].imshow(dose, cmap="cividis", vmin=0, vmax=DOSE_UP_TO * scene.gel_mj_cm3, **look)
    if dose.min() < scene.gel_mj_cm3 < dose.max():
        places = (scene.grid.centres_mm(n).numpy() for n in range(3) if n != axis)
        panels[1].contour(*places, dose, levels=[scene.gel_mj_cm3], colors="white", linewidths=0.6)
    solid = np.where(outcome == NOT_JUDGED, 0, np.where((outcome == CURED) | (outcome == OVER), 2, 1))
    panels[2].imshow(solid, cmap=ListedColormap([COLOURS[0], "white", "#444444"]), vmin=-0.5, vmax=2.5, **look)
    panels[3].imshow(outcome, cmap=ListedColormap(COLOURS), vmin=-0.5, vmax=4.5, **look)
    return image


def _legend(figure: Any, insert: bool) -> None:
    from matplotlib.patches import Patch

    names = [*zip(COLOURS, OUTCOMES, strict=True), *([(PURPLE, "insert")] if insert else [])]
    marks = [Patch(facecolor=colour, edgecolor="0.4", lw=0.5, label=name) for colour, name in names]
    figure.legend(handles=marks, loc="outside lower center", ncols=len(marks), handlelength=1.2, columnspacing=1.4)


def _caption(scene: Scene, axis: int, middle: float, across: int, up: int) -> str:
    others = " and ".join(f"{AXES[n]} = {float(scene.grid.centres_mm(n)[scene.usual[n]]):.2f} mm" for n in (across, up))
    return (
        f"{scene.name}, slice at {AXES[axis]} = {middle:.2f} mm: covered fraction wanted; dose on voxels of "
        f"{scene.grid.voxel_mm:g} mm, white line at the gel dose of {scene.gel_mj_cm3:.4g} mJ/cm3; what is predicted "
        f"to turn solid, and where that is wrong, on voxels of {scene.print_grid.voxel_mm:g} mm. Dashed: the slices at "
        f"{others}."
    )


def _insert(scene: Scene, panels: Any, axis: int, index: int, look: dict[str, Any]) -> None:
    """What sits in the vial already, in every panel."""
    from matplotlib.colors import ListedColormap

    if scene.part.insert is None:
        return
    there = scene.part.insert.numpy().take(index, axis).T
    if (there >= HALF).any():
        for panel in panels:
            panel.imshow(np.ma.masked_less(there, HALF), cmap=ListedColormap([PURPLE]), vmin=0, vmax=1, **look)


def _vial(panel: Any, scene: Scene, axis: int, at_mm: float) -> None:
    """The inner wall of the vial, where it lies in the picture."""
    from matplotlib.patches import Circle

    radius = scene.vial_radius_mm
    if axis == 2:
        panel.add_patch(Circle((0, 0), radius, fill=False, ec="0.5", lw=0.6))
    elif abs(at_mm) < radius:
        for side in (-1, 1):
            panel.axvline(side * math.sqrt(radius**2 - at_mm**2), color="0.5", lw=0.6)


def _scale_bar(panel: Any, half_across: float) -> None:
    """1, 2 or 5 times a power of ten mm, in the lower left corner."""
    from mpl_toolkits.axes_grid1.anchored_artists import AnchoredSizeBar

    most = BAR_SHARE * 2 * half_across
    power = 10.0 ** math.floor(math.log10(most))
    length = next(n * power for n in (5, 2, 1) if n * power <= most)
    high: Any = half_across / 60
    bar = AnchoredSizeBar(
        panel.transData, length, f"{length:g} mm", "lower left", pad=0.25, borderpad=0.3, sep=2, frameon=True,
        size_vertical=high,
    )  # fmt: skip
    bar.patch.set(alpha=0.9, lw=0)
    bar.set_zorder(9)  # above the dashed lines
    bar.size_bar.get_children()[0].set(facecolor="black", lw=0)
    panel.add_artist(bar)
