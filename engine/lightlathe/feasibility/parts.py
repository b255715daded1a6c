"""A description of a job's parts, which `check` prints below its verdict."""

import math
from collections.abc import Sequence

from lightlathe.flow.solids import Solid, lay_out
from lightlathe.job import Job
from lightlathe.judge.ends import moved_words
from lightlathe.part import Surface, ThinReport, thin_walls
from lightlathe.part.units import size_text
from lightlathe.support.own import OwnMember
from lightlathe.support.watching import doing
from lightlathe.support.words import amount


def thinnest(job: Job, solids: tuple[Solid, ...]) -> tuple[ThinReport, ...]:
    """The thinnest walls of each part; seconds for a mesh of a million facets."""
    grid, inserts = lay_out(job, solids).grid, [s.form for s in solids if s.role == "insert"]
    return tuple(thin_walls(s.form, grid, inserts) for s in solids if s.role == "part")


@doing("looking at the parts")
def parts_lines(
    job: Job, solids: tuple[Solid, ...], said: list[str], thin: Sequence[ThinReport] | None = None
) -> list[str]:
    """A description of each part: size, facets, components, repairs, clearances, thinnest wall; then warnings.

    thin   what `thinnest` found, where that is known already
    """
    lines, problems = [], list(said)
    layout = lay_out(job, solids)
    walls = iter(thinnest(job, solids) if thin is None else thin)
    for solid, fitting in zip(solids, layout.fits, strict=True):
        form = solid.form
        name = form.name if isinstance(form, OwnMember) else type(form).__name__.lower()
        what = form.report.text() if isinstance(form, Surface) else name
        alike = [other for other in solids if other.role == solid.role]
        number = f" {1 + next(n for n, other in enumerate(alike) if other is solid)}" if len(alike) > 1 else ""
        lines.append(f"{solid.role}{number}: {what}")
        lines.append(
            f"  as placed {size_text(fitting.size_mm)}; {amount(fitting.wall_clearance_mm, 3)} mm to the vial's wall, "
            f"{amount(fitting.field_clearance_mm, 3)} mm to the edge of the light"
        )
        if solid.onto_rows_mm:
            lines.append(f"  {moved_words(solid.onto_rows_mm)}")
        problems += fitting.notes
        if solid.role == "part":
            found = next(walls)
            wall = f"{amount(found.thinnest_mm, 3)} mm" if math.isfinite(found.thinnest_mm) else "none found"
            lines.append(f"  thinnest wall {wall}, voxels of {layout.grid.voxel_mm:g} mm")
            problems += found.warnings
    return lines + [f"warning: {text}" for text in problems]
