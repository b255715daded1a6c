"""A folder of figures: every kind, the slices and the line asked for, their numbers and captions, the worst places."""

import contextlib
import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

from lightlathe.report.figures import KINDS
from lightlathe.report.figures.drawn import DPI, Drawn, looks
from lightlathe.report.figures.line import along_line
from lightlathe.report.figures.scene import Scene
from lightlathe.report.figures.slices import AXES, place_of, slice_figure
from lightlathe.report.figures.worst import HEAD, nearest_to_wrong, worst_places
from lightlathe.support.files import PICTURE, kind_of
from lightlathe.support.folders import new_folder, unlisted
from lightlathe.support.pictures import require_matplotlib, save
from lightlathe.support.watching import doing, step

CAPTIONS, WORST = "captions.txt", "worst_places.csv"


@doing("drawing figures")
def write_figures(
    scene: Scene,
    folder: Path,
    form: str = "png",
    slices: Sequence[str] = (),
    line: Sequence[float] | None = None,
    *,
    replace: bool = False,
) -> list[Path]:
    """Write the figures into `folder`; returns all paths.

    form     "png" (300 dpi), "svg" or "pdf"
    slices   more of them, as "z=1.2": axis and place in mm
    line     from x, y, z to x, y, z in mm
    replace  figures that this program wrote into `folder` before are replaced, all of them
    Raises ResultError for places outside the grid, a missing matplotlib, and unless the folder is new or empty.
    """
    require_matplotlib()
    places = [place_of(text, scene.grid) for text in slices]
    with looks():
        lines = [] if line is None else [("dose_along_line", along_line(scene, line))]
        with new_folder(folder, "figures", foreign_to_figures if replace else None) as into:
            written, captions = [], []
            for name, drawn in _all(scene, places, lines):
                path = save(drawn.figure, into / f"{name}.{form}", DPI)
                written.append(path)
                captions.append(f"{path.name}\n{drawn.caption}\n")
                if drawn.columns:
                    rows = zip(*drawn.columns.values(), strict=True)
                    written.append(_table(into / f"{name}.csv", list(drawn.columns), rows))
                step(of=len(KINDS) + len(places) + len(lines) + 1)
            places_wrong, total = worst_places(scene)
            written.append(_table(into / WORST, HEAD, [*nearest_to_wrong(scene), *places_wrong]))
            captions.append(
                f"{WORST}\n{scene.name}: first the voxels of {scene.grid.voxel_mm:g} mm with the lowest dose in the "
                f"part and the highest around it; then {len(places_wrong)} of {total} connected places that turn out "
                f"wrong on voxels of {scene.print_grid.voxel_mm:g} mm, the largest first.\n"
            )
            (into / CAPTIONS).write_text("\n".join(captions), encoding="utf-8")
    return [*(folder / path.name for path in written), folder / CAPTIONS]


def foreign_to_figures(folder: Path) -> str:
    """The name of something in a folder that is not of the figures whose captions are there; empty where all is."""
    listed: set[str] = set()
    with contextlib.suppress(OSError, ValueError):
        said = (folder / CAPTIONS).read_text(encoding="utf-8").splitlines()
        pictures = [name for name in said if kind_of(folder / name) == PICTURE]
        if pictures:
            listed = {CAPTIONS, WORST, *pictures, *(f"{Path(name).stem}.csv" for name in pictures)}
    return unlisted(folder, listed)


def _all(
    scene: Scene, places: Iterable[tuple[int, float]], lines: Iterable[tuple[str, Drawn]]
) -> Iterable[tuple[str, Drawn]]:
    for name, kind in KINDS.items():
        yield name, kind(scene)
    for axis, at_mm in dict.fromkeys(places):
        yield f"slice_{AXES[axis]}_{at_mm:g}mm", slice_figure(scene, axis, at_mm)
    yield from lines


def _table(path: Path, head: Sequence[str], rows: Iterable[Sequence]) -> Path:
    """A CSV file, numbers to 7 digits."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(head)
        for row in rows:
            writer.writerow([value if isinstance(value, str | int) else f"{value:.7g}" for value in row])
    return path
