"""A picture of a result: middle slices of what is wanted, the dose, and what is predicted to turn solid."""

import os
from pathlib import Path

import numpy as np

from lightlathe.errors import ResultError
from lightlathe.files import PICTURE, PICTURE_ENDINGS, drawn_by, require_replaceable
from lightlathe.quantities import IGNORED, SOLID, Part, Prediction
from lightlathe.watching import doing

INSERT = "#8a6fae"


def require_matplotlib() -> None:
    """ResultError where pictures cannot be drawn."""
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        raise ResultError("pictures need matplotlib, which is not installed. pip install -e '.[plot]'") from None


@doing("drawing")
def draw(part: Part, prediction: Prediction, path: Path, *, gel_mj_cm3: float, title: str = "") -> Path:
    """Write a picture: the slice across the axis with most of the part, and the slice along it. Returns the path.

    path    ends in .png, .svg or .pdf, in a folder that exists
    Needs matplotlib (extra `plot`). Raises ResultError where it is missing, the path cannot be written, or a file
    that is no picture of ours has that name.
    """
    path = Path(path)
    if path.suffix.lower() not in PICTURE_ENDINGS or os.path.isdir(path):
        raise ResultError(f"{path}: expected the name of a picture file that ends in .png, .svg or .pdf.")
    if not os.path.isdir(path.parent):
        raise ResultError(
            f"{path}: there is no folder {path.parent}; expected a .png, .svg or .pdf in a folder there is."
        )
    require_replaceable(path, PICTURE)
    require_matplotlib()
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    coverage = part.coverage.cpu().numpy()
    judged = part.judged.cpu().numpy()
    insert = None if part.insert is None else part.insert.cpu().numpy()
    dose, solid = prediction.dose.cpu().numpy(), prediction.solid.cpu().numpy()
    k = int(coverage.sum((0, 1)).argmax())
    j = coverage.shape[1] // 2
    half = np.array(part.grid.extent_mm) / 2
    x, y, z = (part.grid.centres_mm(axis).numpy() for axis in range(3))
    cuts = [
        ("across the axis", np.s_[:, :, k], (-half[0], half[0], -half[1], half[1]), x, y, "y / mm"),
        ("along the axis", np.s_[:, j, :], (-half[0], half[0], -half[2], half[2]), x, z, "z / mm"),
    ]
    outcome = np.where(judged == SOLID, np.where(solid, 2, 3), np.where(solid, 4, 1))
    outcome[judged == IGNORED] = 0
    colours = ListedColormap(["white", "#e8edf2", "#2f6f9f", "#f2b134", "#c8402f"])
    figure = Figure(figsize=(11, 7), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(2, 3)
    for row, (where, cut, extent, across, up, up_name) in zip(axes, cuts, strict=True):
        looks = {"origin": "lower", "extent": extent, "interpolation": "nearest"}
        row[0].imshow(coverage[cut].T, cmap="Greys", vmin=0, vmax=1, **looks)
        row[0].set_title(f"wanted, {where}")
        relative = dose[cut].T / gel_mj_cm3
        shown = row[1].imshow(relative, cmap="cividis", vmin=0, vmax=1.6, **looks)
        if relative.min() < 1 < relative.max():
            row[1].contour(across, up, relative, levels=[1.0], colors="white", linewidths=0.8)
        row[1].set_title("dose / gel dose, line at 1")
        figure.colorbar(shown, ax=row[1], shrink=0.8)
        row[2].imshow(outcome[cut].T, cmap=colours, vmin=-0.5, vmax=4.5, **looks)
        row[2].set_title("predicted")
        for axis in row:
            if insert is not None and bool((insert[cut] >= 0.5).any()):
                there = np.ma.masked_less(insert[cut].T, 0.5)
                axis.imshow(there, cmap=ListedColormap([INSERT]), vmin=0, vmax=1, **looks)
            axis.set_xlabel("x / mm")
            axis.set_ylabel(up_name)
    names = ["not judged", "liquid", "solid", "liquid by mistake", "solid by mistake"]
    marks = [Patch(facecolor=colours(n), edgecolor="grey", label=name) for n, name in enumerate(names)]
    marks += [] if insert is None else [Patch(facecolor=INSERT, edgecolor="grey", label="insert")]
    figure.legend(handles=marks, loc="outside lower center", ncols=6)
    figure.suptitle(title)
    try:
        figure.savefig(path, dpi=110, metadata=drawn_by(path))
    except OSError as problem:
        raise ResultError(
            f"{path}: cannot write the .png, .svg or .pdf ({problem}). Is the folder writable, the disk full?"
        ) from None
    return path
