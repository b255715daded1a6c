"""Inserts in light whose rows spread with depth: they must have one cross-section wherever its rays pass.

A ray of a lens rises or falls on its way, so before it lights a slice it may pass an insert at another height: nearer
to that of the lens, as rays draw apart from there on. An insert that is the same at all of these heights ends or dims
every ray of a column where it does the level one.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch

from lightlathe.errors import JobError, ResultError
from lightlathe.flow.solids import Solid
from lightlathe.quantities import Grid, Optics, Part
from lightlathe.support.words import amount

FACTS = ("inserts_low_mm", "inserts_high_mm", "inserts_absorption_per_mm")  # of a result file


@dataclass(frozen=True)
class Span:
    """The heights from one end of an insert to the other, mm, and what it absorbs, 1/mm; None: no light enters it."""

    low_mm: float
    high_mm: float
    absorption_per_mm: float | None

    def changes(self, optics: Optics) -> bool:
        """Whether light crosses the insert otherwise than the resin."""
        return self.absorption_per_mm != optics.absorption_per_mm


def spans_of(solids: Sequence[Solid]) -> list[Span]:
    """Those of a job's inserts that light is not taken to pass as resin."""
    found = []
    for solid in solids:
        if solid.opaque or solid.absorption_per_mm is not None:
            low, high = solid.form.bounds_mm[:, 2].tolist()
            found.append(Span(low, high, None if solid.opaque else solid.absorption_per_mm))
    return found


def facts_of_spans(spans: Sequence[Span]) -> dict[str, list[float]]:
    """The spans as a result file has them, an absorption of infinity where no light enters; nothing where there are
    none."""
    rows = [
        (span.low_mm, span.high_mm, math.inf if span.absorption_per_mm is None else span.absorption_per_mm)
        for span in spans
    ]
    return {name: list(column) for name, column in zip(FACTS, zip(*rows, strict=True), strict=False)}


def spans_in(facts: Mapping[str, Any], part: Part) -> list[Span]:
    """The spans of the inserts of a record. ResultError where its file does not hold them."""
    if not any(name in facts for name in FACTS):
        if part.opaque is None and not part.absorbing:
            return []
        raise ResultError(
            "rays of a lens nearby rise and fall, and may pass an insert beyond the grid; the result does not hold how "
            "far its inserts reach there. It is of an earlier version of Lightlathe: design again, or predict parallel "
            "light."
        )
    try:
        columns = [np.asarray(facts[name], np.float64) for name in FACTS]
        rows = np.stack(columns, axis=1)
    except (KeyError, TypeError, ValueError) as problem:
        raise ResultError(f"{', '.join(FACTS)} of the result are no lists of as many numbers: {problem}") from None
    if rows.ndim != 2 or not (np.isfinite(rows[:, :2]).all() and (rows[:, 0] <= rows[:, 1]).all()):
        raise ResultError(f"{FACTS[0]} and {FACTS[1]} of the result are no lists of lower and upper ends, in mm.")
    return [Span(low, high, None if math.isinf(per_mm) else per_mm) for low, high, per_mm in rows.tolist()]


def require_through(inserts: Sequence[Span], optics: Optics, grid: Grid) -> None:
    """JobError where an insert that changes light ends, or changes its cross-section, where rays of a lens pass it.

    Within the grid cross-sections are compared, beyond it what each insert spans along z.
    """
    spread, classes = optics.chords.magnification, optics.class_of_slice(grid)
    if spread is None:
        return
    low, high = heights(optics, grid)
    spans = [(insert.low_mm, insert.high_mm) for insert in inserts if insert.changes(optics)]
    ends = [z for span in spans if span[0] < high and span[1] > low for z in span if low < z < high]
    if not ends and (classes is None or bool((classes == classes[0]).all())):
        return
    where = f"it ends at z = {amount(ends[0], 3)} mm" if ends else "its cross-section changes along z"
    raise JobError(
        f"an insert stands in light whose rows spread with depth (a diverging beam), and {where}, between the heights "
        f"of {amount(low, 3)} and {amount(high, 3)} mm that rays pass on their way to the part: what it does to a ray "
        "then depends on the ray's slope, and is not computed. Expected an insert of one cross-section through all of "
        "these heights, such as a rod or a needle that stands through, or a telecentric beam, or opaque = false in its "
        "[[part]], which takes light to pass through it as through resin."
    )


def heights(optics: Optics, grid: Grid) -> tuple[float, float]:
    """Minimum and maximum z that rays pass in the vial before they light a slice of the grid."""
    spread, end = optics.chords.magnification, grid.shape[2] / 2 * grid.voxel_mm
    assert spread is not None
    enters = optics.chords.offset_mm.double().abs() < optics.vial_radius_mm
    if not bool(enters.any()):
        return -end, end
    first, last = (int(n) for n in torch.stack([enters.nonzero()[0, 0], enters.nonzero()[-1, 0]]))
    least, most = spread.part(first, last + 1).range_within(
        optics.chords.offset_mm[first : last + 1].double(), optics.vial_radius_mm
    )
    lens, rise = spread.pupil_z_mm, max(1 - least / most, 0.0)
    return min(-end, -end + (lens + end) * rise), max(end, end + (lens - end) * rise)
