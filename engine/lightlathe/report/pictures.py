"""A picture of a result: middle slices of what is wanted, the dose, and what is predicted to turn solid."""

from pathlib import Path
from typing import Any

import numpy as np
import torch

from lightlathe.judge.order import slabs
from lightlathe.quantities import IGNORED, SOLID, FineShape, Part, Prediction, Volume
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
    Memory  a slab of a volume beside the record, where it is packed
    Needs matplotlib (extra `plot`). Raises ResultError where it is missing, or the path cannot be written.
    """
    require_drawable(path)
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    judged, solid, times = outcome_volumes(part, prediction, fine)
    k, j = fullest_slice(part), part.grid.shape[1] // 2
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
        row[0].imshow(cut(part.coverage, axis, place), cmap="Greys", vmin=0, vmax=1, **looks)
        row[0].set_title(f"wanted, {where}")
        relative = cut(prediction.dose, axis, place) / gel_mj_cm3
        shown = row[1].imshow(relative, cmap="cividis", vmin=0, vmax=1.6, **looks)
        if relative.min() < 1 < relative.max():
            row[1].contour(across, up, relative, levels=[1.0], colors="white", linewidths=0.8)
        row[1].set_title("dose / gel dose, line at 1")
        figure.colorbar(shown, ax=row[1], shrink=0.8)
        finer = times * place + times // 2
        outcome = outcome_in(cut(judged, axis, finer), cut(solid, axis, finer))
        row[2].imshow(outcome, cmap=colours, vmin=-0.5, vmax=4.5, **looks)
        row[2].set_title(f"predicted, voxels of {part.grid.voxel_mm / times:.3g} mm")
        there = None if part.insert is None else cut(part.insert, axis, place)
        for panel in row:
            if there is not None and bool((there >= 0.5).any()):
                shaded = np.ma.masked_less(there, 0.5)
                panel.imshow(shaded, cmap=ListedColormap([INSERT]), vmin=0, vmax=1, **looks)
            panel.set_xlabel("x / mm")
            panel.set_ylabel(up_name)
    marks = [Patch(facecolor=colours(n), edgecolor="grey", label=name) for n, name in enumerate(MEANINGS)]
    marks += [] if part.insert is None else [Patch(facecolor=INSERT, edgecolor="grey", label="insert")]
    figure.legend(handles=marks, loc="outside lower center", ncols=6)
    figure.suptitle(title)
    return save(figure, path, dpi=110)


def cut(volume: Volume, axis: int, place: int) -> np.ndarray:
    """The slice of a volume at an index along an axis, for a picture: (second axis, first axis)."""
    index: list[Any] = [slice(None)] * 3
    index[axis] = place
    return volume[tuple(index)].cpu().numpy().T


def fullest_slice(part: Part) -> int:
    """Index along z of the slice with most of the part, the first of several."""
    along = sum(slab.sum((0, 1), dtype=torch.float64).cpu() for (slab,) in slabs(part.coverage))
    return int(torch.as_tensor(along).argmax())


def outcome_volumes(part: Part, prediction: Prediction, fine: FineShape | None) -> tuple[Volume, Volume, int]:
    """What was judged and what turns solid, on the finer grid where there is one, the whole shape; and how many times
    finer than the part's own these voxels are."""
    if fine is not None and prediction.fine_solid is not None:
        return fine.judged, prediction.fine_solid, fine.grid.shape[0] // part.grid.shape[0]
    return part.judged if part.whole is None else part.whole, prediction.solid, 1


def outcome_in(judged: np.ndarray, solid: np.ndarray) -> np.ndarray:
    """uint8, the outcome of voxels: 0 not judged, 1 liquid, 2 solid, 3 liquid by mistake, 4 solid by mistake."""
    outcome = np.where(judged == SOLID, np.where(solid, 2, 3), np.where(solid, 4, 1)).astype(np.uint8)
    outcome[judged == IGNORED] = 0
    return outcome
