"""Plots of fits and residuals."""

from pathlib import Path

from lightlathe.resins.measured import Measured
from lightlathe.support.pictures import require_drawable, save
from lightlathe.support.watching import doing


@doing("drawing")
def draw_residuals(measured: Measured, path: Path) -> Path:
    """One row for each table: points with the fit, and residuals; outliers ringed and named by their line.

    The kind of picture follows the ending of `path` (png, svg, pdf).
    Needs matplotlib (extra `plot`). Raises ResultError where it is missing, or the path cannot be written.
    """
    require_drawable(path)
    from matplotlib.figure import Figure

    count = len(measured.tables)
    figure = Figure(figsize=(9, 3.2 * count), layout="constrained")
    axes = figure.subplots(count, 2, squeeze=False)
    for (left, right), table, fit in zip(axes, measured.tables, measured.fits, strict=True):
        order = fit.x.argsort()
        left.plot(fit.x[order], fit.fitted[order], color="0.5", label="fit")
        left.plot(fit.x, fit.y, "o", color="C0", label="measured")
        left.set(title=f"{table.name}: {table.series}", xlabel=fit.axes[0], ylabel=fit.axes[1])
        right.axhline(0, color="0.5", linewidth=0.8)
        right.plot(fit.x, fit.y - fit.fitted, "o", color="C0")
        right.set(title="measured - fit", xlabel=fit.axes[0], ylabel=fit.axes[1])
        for i in fit.outliers:
            for panel, height in ((left, fit.y[i]), (right, fit.y[i] - fit.fitted[i])):
                panel.plot(fit.x[i], height, "o", markersize=12, markerfacecolor="none", color="C3")
                panel.annotate(f"line {table.lines[i]}", (fit.x[i], height), xytext=(6, 6), textcoords="offset points")
        left.legend()
        right.margins(x=0.15, y=0.2)
    return save(figure, path, dpi=150)
