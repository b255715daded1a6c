"""What is made of a record: frames, videos, calibration frames, texts, pictures, pages, surfaces, volumes.

Each function takes from the record what one writer needs; the writers know no record. Libraries load when first used.
"""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Literal

from lightlathe.flow.recorded import job_of
from lightlathe.job import Job
from lightlathe.judge import CAUTIONS
from lightlathe.report.exposure import exposure_lines
from lightlathe.result import Record
from lightlathe.support.words import amount, count


def frames(
    record: Record,
    folder: Path,
    exposure_s: float | None = None,
    *,
    form: str = "png",
    whole_exposure: bool = False,
    replace: bool = False,
) -> Path:
    """Write the frames of a record for the projector; returns the manifest's path. See export/frames.py.

    exposure_s       another time than planned, in as many turns
    form             "png", "tiff" or "npy"
    whole_exposure   all turns one after another instead of one to repeat
    replace          frames that were written there before are replaced
    """
    from lightlathe.export.frames import write_frames
    from lightlathe.flow.projected import images_of

    return write_frames(images_of(record, exposure_s, whole_exposure=whole_exposure), folder, form, replace=replace)


def video(
    record: Record,
    path: Path,
    exposure_s: float | None = None,
    *,
    coding: str | None = None,
    whole_exposure: bool = False,
    replace: bool = False,
) -> tuple[Path, tuple[str, ...]]:
    """Write the frames of a record as a video; returns its path and what to know of it. See export/video.py.

    exposure_s, whole_exposure, replace   as in `frames`
    coding                                "ffv1", "h264_lossless" or "h264"; by the file's ending where None
    """
    from lightlathe.export.video import write_video
    from lightlathe.flow.projected import images_of

    return write_video(images_of(record, exposure_s, whole_exposure=whole_exposure), path, coding, replace=replace)


def player(record: Record, folder: Path, exposure_s: float | None = None, *, replace: bool = False) -> Path:
    """Write a page that plays the frames of a record in a browser; returns its path. See export/player.py."""
    from lightlathe.export.player import write_player
    from lightlathe.flow.projected import images_of

    return write_player(images_of(record, exposure_s), folder, replace=replace)


def calibration(job: Job, folder: Path) -> Path:
    """Write calibration frames for a job's projector, forms and a page; returns the page's path."""
    from lightlathe.export.calibration import ALIGNMENT, write_calibration
    from lightlathe.export.calibration_images import METER, Field, frame_lines
    from lightlathe.export.mounting import Mounting
    from lightlathe.flow.test_print import disc_print
    from lightlathe.report.calibration_page import page

    light = job.load(design=False).light
    field = Field(light.columns, light.rows, 2**light.bits - 1, (light.columns - 1) / 2 + light.axis_offset_pixels)
    columns = min(job.vial.inner_diameter_mm / light.pixel_mm, light.columns)
    strip = field.centred(max(4, round(columns / 4))), field.centred(max(2, round(columns / 40)))
    _, across, along = frame_lines(field)
    native = Mounting(light.flip, light.rotate_deg).native
    wide, narrow = (disc_print(job, columns, field.axis_column) for columns in strip)
    text = page(across, along, METER**2, ALIGNMENT, wide, narrow)
    return write_calibration(field, folder, bits=light.bits, page=text, strip=strip, native=native)


def summary(record: Record, path: Path) -> str:
    """The summary of a design, as text. See report/summary.py."""
    from lightlathe.report.summary import summary

    return summary(record, path, job_of(record).resin.at(record.patterns.exposure_s), exposure_lines(record), CAUTIONS)


def as_json(record: Record, path: Path) -> dict[str, Any]:
    """What the summary says, as plain values for JSON. See report/as_json.py."""
    from lightlathe.report.as_json import as_json

    return as_json(record, path, job_of(record).resin.at(record.patterns.exposure_s), exposure_lines(record), CAUTIONS)


def report(records: Iterable[Record], results: Sequence[Path | None], path: Path) -> Path:
    """Write an HTML page of a record, or of several side by side; returns its path. See report/page/build.py.

    records   taken one by one, so that only one result's volumes need be in memory
    results   their files, None for one that has none
    """
    from lightlathe.report.page.build import page_of
    from lightlathe.report.page.document import require_page, write_page
    from lightlathe.report.page.libraries import marching_cubes
    from lightlathe.report.page.side_by_side import page_of_several

    require_page(path)
    marching_cubes()
    if len(results) == 1:
        (record,) = records
        return write_page(page_of(record, results[0]), path)
    return write_page(page_of_several(records, results), path)


def surface(record: Record, path: Path, frame: Literal["part", "vial"] = "part") -> str:
    """Write the predicted surface as STL, PLY, 3MF or GLB; returns what was written, in words.

    frame   "part": in the coordinates and unit of the part's mesh, so that it lies on it; "vial": in mm in the vial
    """
    from lightlathe.export.isosurface import print_surface
    from lightlathe.export.solid_files import Solid, write_solid, writer_for
    from lightlathe.flow.part_frame import VIAL, part_frame
    from lightlathe.judge.surface_distance import distances_from

    writer_for(path)
    placed, part = VIAL if frame == "vial" else part_frame(record), record.part
    mesh = print_surface(record.prediction.dose, gel_dose(record), part.grid, part.insert)
    error_mm = distances_from(mesh.vertices_mm, part, record.wanted)
    solid = Solid(
        placed.points(mesh.vertices_mm), mesh.faces, placed.unit, placed.mm_per_unit, error_mm,
        record.patterns.pixel_mm, f"{record.name}: predicted print, in {placed.unit}, {placed.words}",
    )  # fmt: skip
    unit = "m, as GLB asks" if Path(path).suffix.lower() == ".glb" else placed.unit
    size = f"{count(len(mesh.faces), 'triangle')}, {amount(mesh.volume_mm3, 4)} mm3"
    return f"{write_solid(path, solid)}: {size}, in {unit}, {placed.words}"


def volume(record: Record, path: Path) -> str:
    """Write dose, cured and wanted as .vti or .nrrd, in mm in the vial's frame; returns what was written, in words."""
    from lightlathe.export.volume_files import Volume, write_volumes

    part, print_ = record.part, record.prediction
    volumes = [
        Volume("dose_mJ_per_cm3", print_.dose),
        Volume("cured_1_solid_0_liquid", print_.solid),
        Volume("wanted_covered_fraction", part.coverage),
    ]
    files = write_volumes(path, volumes, part.grid, record.name)
    names = ", ".join(volume.name for volume in volumes)
    return f"{', '.join(map(str, files))}: {names}; voxels of {part.grid.voxel_mm:g} mm, the vial's frame"


def picture(record: Record, path: Path) -> Path:
    """Draw the middle slices of a record; returns the path. See report/pictures.py."""
    from lightlathe.report.pictures import draw

    return draw(record.part, record.prediction, path, record.fine, gel_mj_cm3=gel_dose(record), title=record.name)


def figures(
    record: Record,
    folder: Path,
    *,
    form: str = "png",
    slices: Sequence[str] = (),
    line: Sequence[float] | None = None,
    replace: bool = False,
) -> list[Path]:
    """Write figures of a record for print, with their numbers as CSV; returns their paths. See report/figures/.

    form     "png", "svg" or "pdf"
    slices   slices beside the usual ones: "z=1.2"
    line     x, y, z to x, y, z in mm: the dose along it
    replace  figures that were written there before are replaced
    """
    from lightlathe.report.figures.scene import Scene
    from lightlathe.report.figures.write import write_figures

    resin = job_of(record).resin.at(record.patterns.exposure_s)
    doses = resin.liquid_below_mj_cm3, resin.gel_mj_cm3, resin.solid_above_mj_cm3
    scene = Scene(record.name, record.part, record.prediction, record.fine, record.vial_radius_mm, *doses)
    return write_figures(scene, folder, form, slices, line, replace=replace)


def gel_dose(record: Record) -> float:
    """The dose at which a record's resin turns solid in its exposure, mJ/cm3."""
    return job_of(record).resin.at(record.patterns.exposure_s).gel_mj_cm3
