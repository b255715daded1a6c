"""Plots of fits and residuals."""

from pathlib import Path

from lightlathe.errors import MeasurementError
from lightlathe.resins.measured import Measured
from lightlathe.support.files import PICTURE, PICTURE_ENDINGS, drawn_by, require_replaceable
from lightlathe.support.watching import doing


@doing("drawing")
def draw_residuals(measured: Measured, path: str | Path) -> Path:
    """One row for each table: points with the fit, and residuals; outliers ringed and named by their line.

    The kind of picture follows the ending of `path` (png, svg, pdf).
    Raises MeasurementError if matplotlib is not installed, or does not know the ending; ResultError where a file
    that is no picture of ours has that name.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise MeasurementError(
            "a picture takes matplotlib, which is not installed. pip install 'matplotlib>=3.8' (the extra 'plot')"
        ) from None
    path = Path(path)
    if path.suffix.lower() not in PICTURE_ENDINGS:
        raise MeasurementError(
            f"{path}: expected the name of a picture file that ends in {', '.join(PICTURE_ENDINGS)}."
        )
    require_replaceable(path, PICTURE)
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
    figure.savefig(path, dpi=150, metadata=drawn_by(path))
    return path
