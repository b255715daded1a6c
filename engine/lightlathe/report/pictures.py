"""A picture of a result: middle slices of what is wanted, the dose, and what is predicted to turn solid."""

from pathlib import Path

import numpy as np

from lightlathe.quantities import IGNORED, SOLID, FineShape, Part, Prediction
from lightlathe.support.colours import INSERT, MEANINGS, OUTCOMES
from lightlathe.support.pictures import require_drawable, save
from lightlathe.support.watching import doing


@doing("drawing")
def draw(
    part: Part,
    prediction: Prediction,
    path: Path,
    fine: FineShape | None = None,
    *,
    gel_mj_cm3: float,
    title: str = "",
) -> Path:
    """Write a picture: the slice across the axis with most of the part, and the slice along it. Returns the path.

    What is predicted is judged on the finer grid, where there is one; the whole shape, no tolerance band left out.

    path    ends in .png, .svg or .pdf, in a folder that exists
    Needs matplotlib (extra `plot`). Raises ResultError where it is missing, or the path cannot be written.
    """
    require_drawable(path)
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    coverage = part.coverage.cpu().numpy()
    insert = None if part.insert is None else part.insert.cpu().numpy()
    dose, (outcome, times) = prediction.dose.cpu().numpy(), outcome_of(part, prediction, fine)
    k = int(coverage.sum((0, 1)).argmax())
    j = coverage.shape[1] // 2
    half = np.array(part.grid.extent_mm) / 2
    x, y, z = (part.grid.centres_mm(axis).numpy() for axis in range(3))
    cuts = [
        ("across the axis", (2, k), (-half[0], half[0], -half[1], half[1]), x, y, "y / mm"),
        ("along the axis", (1, j), (-half[0], half[0], -half[2], half[2]), x, z, "z / mm"),
    ]
    colours = ListedColormap(OUTCOMES)
    figure = Figure(figsize=(11, 7), layout="constrained")
    axes = figure.subplots(2, 3)
    for row, (where, (axis, place), extent, across, up, up_name) in zip(axes, cuts, strict=True):
        looks = {"origin": "lower", "extent": extent, "interpolation": "nearest"}
        row[0].imshow(coverage.take(place, axis).T, cmap="Greys", vmin=0, vmax=1, **looks)
        row[0].set_title(f"wanted, {where}")
        relative = dose.take(place, axis).T / gel_mj_cm3
        shown = row[1].imshow(relative, cmap="cividis", vmin=0, vmax=1.6, **looks)
        if relative.min() < 1 < relative.max():
            row[1].contour(across, up, relative, levels=[1.0], colors="white", linewidths=0.8)
        row[1].set_title("dose / gel dose, line at 1")
        figure.colorbar(shown, ax=row[1], shrink=0.8)
        row[2].imshow(outcome.take(times * place + times // 2, axis).T, cmap=colours, vmin=-0.5, vmax=4.5, **looks)
        row[2].set_title(f"predicted, voxels of {part.grid.voxel_mm / times:.3g} mm")
        for panel in row:
            if insert is not None and bool((insert.take(place, axis) >= 0.5).any()):
                there = np.ma.masked_less(insert.take(place, axis).T, 0.5)
                panel.imshow(there, cmap=ListedColormap([INSERT]), vmin=0, vmax=1, **looks)
            panel.set_xlabel("x / mm")
            panel.set_ylabel(up_name)
    marks = [Patch(facecolor=colours(n), edgecolor="grey", label=name) for n, name in enumerate(MEANINGS)]
    marks += [] if insert is None else [Patch(facecolor=INSERT, edgecolor="grey", label="insert")]
    figure.legend(handles=marks, loc="outside lower center", ncols=6)
    figure.suptitle(title)
    return save(figure, path, dpi=110)


def outcome_of(part: Part, prediction: Prediction, fine: FineShape | None) -> tuple[np.ndarray, int]:
    """The outcome of each voxel: 0 not judged, 1 liquid, 2 solid, 3 liquid by mistake, 4 solid by mistake.

    Also how many times finer than the part's own these voxels are.
    """
    if fine is not None and prediction.fine_solid is not None:
        judged, solid, times = fine.judged, prediction.fine_solid, fine.grid.shape[0] // part.grid.shape[0]
    else:
        judged, solid, times = part.judged if part.whole is None else part.whole, prediction.solid, 1
    wanted, made = judged.cpu().numpy(), solid.cpu().numpy()
    outcome = np.where(wanted == SOLID, np.where(made, 2, 3), np.where(made, 4, 1)).astype(np.uint8)
    outcome[wanted == IGNORED] = 0
    return outcome, times
