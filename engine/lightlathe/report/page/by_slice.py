"""What the process window is in each slice: the least dose in the part and the most outside it."""

import math
from typing import Any

import numpy as np
import torch

from lightlathe.families import Resin
from lightlathe.judge.order import slabs
from lightlathe.quantities import LIQUID, SOLID, Volume
from lightlathe.report.page.chart import chart, line, mark
from lightlathe.result import Record


def extremes(dose: Volume, judged: Volume) -> tuple[np.ndarray, np.ndarray]:
    """(z,) least dose in the part and most outside it, mJ/cm3; NaN in slices without such voxels."""
    least = torch.full(dose.shape[2:], torch.inf)
    most = torch.full(dose.shape[2:], -torch.inf)
    for d, j in slabs(dose, judged):
        least = torch.minimum(least, torch.where(j == SOLID, d, torch.inf).amin((0, 1)).cpu())
        most = torch.maximum(most, torch.where(j == LIQUID, d, -torch.inf).amax((0, 1)).cpu())
    found = []
    for ends in (least, most):
        found.append(torch.where(ends.isfinite(), ends, torch.nan).double().numpy())
    return found[0], found[1]


def slice_charts(record: Record, resin: Resin) -> dict[str, Any]:
    """The two doses and the window of each slice along z."""
    z = record.part.grid.centres_mm(2).numpy()
    least, most = extremes(record.prediction.dose, record.part.judged)
    used = np.flatnonzero(np.isfinite(least))
    first, last = (max(0, used[0] - 2), used[-1] + 3) if len(used) else (0, len(z))
    z, least, most = z[first:last], least[first:last], most[first:last]
    with np.errstate(invalid="ignore", divide="ignore"):
        window = 100 * (1 - most / least)
    q = record.quality
    bound = q.get("window_proven_at_most", math.nan)
    shown = [v for v in (100 * bound, *window.tolist()) if math.isfinite(v)]
    x = "z / mm"
    return {
        "slice_doses": chart(
            x,
            "dose / mJ cm⁻³",
            [line("least in the part", z, least, "part"), line("most outside", z, most, "around", "dash")],
            levels=[
                mark("liquid below", resin.liquid_below_mj_cm3, "muted", "dot"),
                mark("solid above", resin.solid_above_mj_cm3, "muted", "dashdot"),
            ],
            y_range=(0, 1.08 * float(np.nanmax([*least, *most, resin.solid_above_mj_cm3]))),
        ),
        "slice_window": chart(
            x,
            "window of the slice / %",
            [line("window", z, window, "plan")],
            levels=[
                mark("of all slices at once", 100 * q["window_relative"], "muted", "dot"),
                mark("proven: none above", 100 * bound, "bound", "dash"),
            ],
            y_range=(max(-50.0, min([*shown, 0.0]) - 3), max([*shown, 10.0]) + 5),
        ),
    }
