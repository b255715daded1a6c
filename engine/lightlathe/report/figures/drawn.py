"""A figure, its caption and its numbers; the looks that all figures share.

Sizes and type: figures are 89 mm (one column) or 183 mm (two) wide, as in Nature's guide to authors, text of 8 points
(from memory; most journals are near). Colours: those of Okabe and Ito for colour-blind readers (M. Okabe, K. Ito,
"Color Universal Design", 2008), and cividis for doses (J. R. Nunez et al., PLoS ONE 13 (2018) e0199239).
"""

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lightlathe.support.colours import INSERT, OVER, UNDER

SINGLE_MM, DOUBLE_MM, MM_PER_INCH = 89.0, 183.0, 25.4
DPI = 300
ORANGE, SKY, BLUE, RED, PURPLE = "#E69F00", "#56B4E9", UNDER, OVER, INSERT
PART, AROUND = BLUE, RED  # curves of the part and of what is around it
DOSE = r"dose / (mJ cm$^{-3}$)"
SIZES = ("font.size", "axes.titlesize", "axes.labelsize", "xtick.labelsize", "ytick.labelsize", "legend.fontsize")
LOOKS: Any = {  # of matplotlib's rcParams
    **dict.fromkeys((*SIZES, "figure.titlesize"), 8),
    **dict.fromkeys(("axes.linewidth", "xtick.major.width", "ytick.major.width"), 0.6),
    "lines.linewidth": 1.2,
    "legend.frameon": False,
    "image.interpolation": "nearest",
    "mathtext.default": "regular",
    "pdf.fonttype": 42,  # text stays text
    "svg.fonttype": "none",
    "svg.hashsalt": "lightlathe",  # the same file for the same result
}


@dataclass(frozen=True)
class Drawn:
    """A figure of one kind.

    figure    of matplotlib
    caption   a sentence or two: what is shown, where, in which units
    columns   its numbers by the head of their column, with the unit; empty where they are an image
    """

    figure: Any
    caption: str
    columns: Mapping[str, Sequence[float] | np.ndarray] = field(default_factory=dict)


@contextlib.contextmanager
def looks() -> Iterator[None]:
    """Figures made and saved in the block share LOOKS."""
    import matplotlib

    with matplotlib.rc_context(LOOKS):
        yield


def new_figure(width_mm: float, height_mm: float) -> Any:
    """A figure of exactly this size, to be filled by a layout that keeps it."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), layout="constrained")


def thresholds(axes: Any, scene: Any, *, along: str = "x") -> None:
    """Both of the resin's doses as a band, the gel dose as a line in it."""
    span, line = (axes.axvspan, axes.axvline) if along == "x" else (axes.axhspan, axes.axhline)
    low, high = scene.liquid_below_mj_cm3, scene.solid_above_mj_cm3
    span(low, high, color="0.85", lw=0, zorder=0, label=f"liquid below {low:.4g}, solid above {high:.4g}")
    line(scene.gel_mj_cm3, color="0.35", lw=0.7, ls=(0, (4, 2)), zorder=1, label=f"gel dose {scene.gel_mj_cm3:.4g}")
