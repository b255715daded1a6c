"""The page of one result: its sections in order. A new section is a function here and a line in `sections`."""

import math
from pathlib import Path

from lightlathe.families import Resin
from lightlathe.flow.recorded import job_of
from lightlathe.judge import CAUTIONS, is_steady
from lightlathe.report.exposure import exposure_lines
from lightlathe.report.page import images, surfaces, volumes
from lightlathe.report.page.by_slice import slice_charts
from lightlathe.report.page.controls import frames_view, slices_view, solid_view
from lightlathe.report.page.convergence import LOWEST, stages_before, thinned, thinned_words, window_charts
from lightlathe.report.page.document import document
from lightlathe.report.page.dose_volume import Doses, dose_volume_chart, exposure_charts
from lightlathe.report.page.files import figures_section, job_section, provenance_section
from lightlathe.report.page.header import about
from lightlathe.report.page.packing import characters
from lightlathe.report.page.prints import prints_section
from lightlathe.report.page.section import Section, charts, figure_of, folded, items, number, paragraph, table, text
from lightlathe.report.page.settings import settings_section
from lightlathe.report.page.verdict import verdict_section
from lightlathe.report.page.worst import places
from lightlathe.report.summary import assumed, summary
from lightlathe.result import Record
from lightlathe.result.listing import Listed, listing
from lightlathe.support.watching import doing
from lightlathe.support.words import amount, duration


@doing("writing the report")
def page_of(record: Record, path: Path | None = None) -> str:
    """The HTML page of a result; `path` is its file, None for a record that has none yet.

    Raises ResultError where Plotly or scikit-image is missing, or the record lacks what is asked.
    """
    resin = job_of(record).resin
    listed = None if path is None else listing(path)
    return document(f"{record.name}: report", record.name, sections(record, resin, path, listed), about(record))


def sections(record: Record, resin: Resin, path: Path | None, listed: Listed | None) -> list[Section]:
    """Every section, in the order of the page; `resin` as the job has it."""
    here = resin.at(record.patterns.exposure_s)
    doses = Doses.of(record)
    solid, slices = solid_section(record, here), slices_section(record, here)
    spare = (
        volumes.ROOM
        + surfaces.ROOM
        + images.ROOM
        - characters(solid.data)
        - characters(slices.data["slices"]["sets"][0])
    )
    return [
        verdict_section(record),
        solid,
        slices,
        frames_section(record, max(images.ROOM, min(spare, images.ROOMY))),
        dose_section(record, doses, here),
        exposure_section(record, resin, doses),
        convergence_section(record),
        by_slice_section(record, here),
        plan_section(record, path),
        *([] if path is None else [prints_section(record, path)]),
        settings_section(record.settings, _resin_words(resin, record.patterns.exposure_s), record.assumed_keys),
        Section("assumptions", "Assumptions", items(assumed(record, here))),
        Section("cautions", "Cautions", items(CAUTIONS, "cautions")),
        figures_section(record),
        job_section(record),
        provenance_section(record, path, listed),
    ]


def solid_section(record: Record, resin: Resin) -> Section:
    found = surfaces.surfaces(record, resin.gel_mj_cm3)
    finer = f"Surfaces are drawn from voxels of {found['each_mm']:.4g} mm"
    said = f"{finer}; details finer than that are not in this view." if found["step"] > 1 else f"{finer}."
    body = solid_view("solid", found)
    body += paragraph(
        "Part: half the covered fraction. Print: where the dose passes the gel dose, between voxel centres.",
        said,
        kind="note",
    )
    return Section("solid", "Part and print", body, {"solid": found})


def slices_section(record: Record, resin: Resin) -> Section:
    dose_max = volumes.largest(record.prediction.dose)
    found = volumes.volumes(record, dose_max)
    data = {
        "sets": [{"name": record.name, "dose_max": dose_max, **found}],
        "places": [{"words": p.words, "at_mm": p.at_mm} for p in places(record, resin.gel_mj_cm3)],
        "dose_top": volumes.dose_top(dose_max, resin.gel_mj_cm3),
        "half_mm": [length / 2 for length in record.part.grid.extent_mm],
        "doses": {
            "liquid below": resin.liquid_below_mj_cm3, "gel dose": resin.gel_mj_cm3,
            "solid above": resin.solid_above_mj_cm3,
        },
    }  # fmt: skip
    steps = [volumes.step_words(cut) for cut in found.values()]
    body = slices_view("slices", data, banded=record.part.whole is not None)
    body += paragraph(
        *filter(None, steps), f"Doses are shown in steps of {amount(dose_max / 255, 2)} mJ/cm³.", kind="note"
    )
    return Section("slices", "Slices", body, {"slices": data})


def frames_section(record: Record, room: int) -> Section:
    found = images.images(record.patterns, room)
    body = frames_view("frames", found)
    body += paragraph(
        "Levels in percent of full light, before the projector's response curve is inverted; columns counted from the "
        "left as seen from the projector, rows from below.",
        *images.shown_words(found),
        kind="note",
    )
    return Section("frames", "Frames", body, {"frames": found})


def dose_section(record: Record, doses: Doses, resin: Resin) -> Section:
    alt = "Dose-volume curves: the share of the part's voxels, and of the others, that receives a dose or more"
    body = charts(("dose_volume", f"{alt}; the resin's two doses."))
    body += _points(record) + paragraph(
        "All of the part should lie right of the dose above which the resin is solid, all else left of the one below "
        "which it stays liquid. Judged voxels of the job's own grid.",
        kind="note",
    )
    return Section("doses", "Dose-volume curves", body, {"dose_volume": dose_volume_chart(doses, resin)})


def _points(record: Record) -> str:
    """The points of the curves that the record holds: doses that 98, 50 and 2 % of the voxels receive or pass."""
    rows = [
        (
            text(f"{name[1:].partition('_')[0]} % of the {'part' if '_in_' in name else 'surroundings'}"),
            *_both(record, name),
        )
        for name in ("D98_in_mj_cm3", "D50_in_mj_cm3", "D2_in_mj_cm3", "D2_out_mj_cm3")
    ]
    finer = ["on the finer grid / mJ cm⁻³"] if "iou_fine" in record.quality else []
    return table(("Dose received by at least", "on the job’s grid / mJ cm⁻³", *finer), rows, kind="figures")


def _both(record: Record, name: str) -> list[str]:
    q = record.quality
    return [figure_of(n, q[n], number(q[n], 4)) for n in (name, f"{name}_fine") if n in q]


def exposure_section(record: Record, resin: Resin, doses: Doses) -> Section:
    right = f"shaded: every voxel right {_sure(record)}; dashed: as planned"
    body = charts(
        ("overlap", f"Overlap of print and part against exposure time; {right}."),
        ("wrong", f"Volume that comes out wrong against exposure time; {right}."),
    )
    body += (
        f'<p class="note">{_margins(record)} The lines are at the gel dose, on the job’s own grid, of the same levels '
        "shown for another time.</p>"
    )
    return Section("exposure", "Other exposures", body, exposure_charts(record, resin, doses))


def _margins(record: Record) -> str:
    """Between which exposures every voxel comes out right: HTML."""
    q = {"exposure_s": record.patterns.exposure_s, "shortest_s": math.nan, "longest_s": math.nan, **record.quality}
    if math.isnan(q["shortest_s"]):
        return "No exposure prints every voxel right."
    low, high, planned = (
        figure_of(name, q[name], amount(q[name], 4), "s") for name in ("shortest_s", "longest_s", "exposure_s")
    )
    until = "on, however long" if math.isinf(q["longest_s"]) else f"to {high}"
    return f"Shaded: {_sure(record)}, every voxel comes out right from {low} {until}; planned are {planned}."


def _sure(record: Record) -> str:
    """What the margins of the exposure hold for, as the summary has it."""
    sure = record.quality.get("sure", 0.0)
    return "whatever the threshold within the resin's two doses" if sure else "for the gel dose only"


def convergence_section(record: Record) -> Section:
    bound = record.quality.get("window_proven_at_most", math.nan)
    log, step = thinned(record.log)
    found = window_charts(log, bound)
    if not found:
        return Section("convergence", "Convergence", paragraph("The file holds no log."))
    proven = "dashed: what no patterns can pass, as proven" if not math.isnan(bound) else "no bound is proven"
    alts = {
        "by_iteration": f"Window by iteration; {proven}.",
        "by_time": f"Window by time; {proven}.",
        "loss": "Loss by iteration.",
        "wrong_voxels": "Wrong voxels by iteration, logarithmic; none where the line ends.",
    }
    body = charts(*((name, alts[name]) for name in found))
    body += paragraph(f"Windows below {LOWEST:g} % lie outside.", thinned_words(step), _ended(record), kind="note")
    return Section("convergence", "Convergence", body + items(stages_before(record.log_before)), found)


def _ended(record: Record) -> str:
    why = record.facts.get("stopped_because")
    return f"The design ended: {why}." if why else ""


def by_slice_section(record: Record, resin: Resin) -> Section:
    body = charts(
        ("slice_doses", "Least dose in the part and most outside it, slice by slice along the axis."),
        (
            "slice_window",
            "The window that each slice would have by itself. All of them share one threshold, so the window of the "
            "print is narrower than that of most slices, and so is the bound.",
        ),
    )
    name = "window_binding_slice_z_mm"
    if math.isfinite(z := record.quality.get(name, math.nan)):
        said = figure_of(name, z, f"{z:.2f}", "mm")
        together = "window_binding_surroundings_z_mm" in record.quality  # light couples slices
        what = "What lies at" if together else "The slice at"
        body += f'<p class="note">{what} z = {said} limits the window, as proven.</p>'
    return Section("by-slice", "Slice by slice", body, slice_charts(record, resin))


def plan_section(record: Record, path: Path | None) -> Section:
    lines = exposure_lines(record)
    body = items((f"{line[0].upper()}{line[1:]}." for line in lines), "plan")
    resin = job_of(record).resin.at(record.patterns.exposure_s)
    said = summary(record, path or Path("RESULT"), resin, lines, ())
    body += folded("The summary as text", f'<pre tabindex="0" aria-label="summary">{text(said)}</pre>')
    return Section("plan", "Exposure plan and bracketing", body)


def _resin_words(resin: Resin, exposure_s: float) -> str:
    here = resin.at(exposure_s)
    over = "" if is_steady(resin, exposure_s) else f" where the dose comes over {duration(exposure_s)}"
    return (
        f"The resin stays liquid below {amount(here.liquid_below_mj_cm3, 4)} mJ/cm³ and is solid above "
        f"{amount(here.solid_above_mj_cm3, 4)} mJ/cm³{over}; light falls to 1/e over "
        f"{amount(1 / resin.absorption_per_mm, 3)} mm."
    )
