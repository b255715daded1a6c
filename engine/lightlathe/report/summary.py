"""The summary of a design, and a comparison under other assumptions, for practitioners."""

import math
import shlex
from collections.abc import Sequence
from pathlib import Path

import torch

from lightlathe.families import Resin
from lightlathe.flow.beside_inserts import inside_words, share_inside
from lightlathe.judge import is_steady
from lightlathe.judge.cautions import about_inserts, assumptions
from lightlathe.judge.ends import moved_words
from lightlathe.judge.order import slabs
from lightlathe.report.advice import FAR_BELOW
from lightlathe.report.notes import notes_lines
from lightlathe.report.slabs import slab_lines
from lightlathe.report.surfaces import surface_lines
from lightlathe.report.warnings import nothing_judged
from lightlathe.result import Record
from lightlathe.solve import ALL_DONE
from lightlathe.support.words import amount, count, duration

# where both were passed a higher level_limit helped, else not (four meshes and the quickstart; benchmarks/QUALITY.md)
WIDE_GAP, HELD = 0.1, 0.05


def summary(record: Record, path: Path, resin: Resin, exposure: Sequence[str], cautions: Sequence[str]) -> str:
    """Text for a terminal: the part, the overlap, the window, the exposure, files, warnings and cautions.

    resin      as it behaves over this exposure
    exposure   lines on the exposure and its margins
    """
    q, patterns, grid = record.quality, record.patterns, record.part.grid
    seconds = patterns.exposure_s
    over = "" if is_steady(resin, seconds) else f" where the dose comes over {duration(seconds)}"
    lines = [
        f"{record.name}: designed" + ("" if q["wrong_voxels"] == 0 else "; not every voxel comes out right"),
        _part(record),
        *_moved(record),
        *_inside(record),
        f"  grid        {grid.shape[0]} x {grid.shape[1]} x {grid.shape[2]} voxels of {grid.voxel_mm:g} mm",
        *slab_lines(record),
        *_overlap(record),
        *surface_lines(record),
        _window(record),
        *_not_proven(record),
        *_proven(q),
        *_ended(record),
        f"              the resin stays liquid below {amount(resin.liquid_below_mj_cm3, 4)} and is solid above "
        f"{amount(resin.solid_above_mj_cm3, 4)} mJ/cm3{over}"
        + (f"; its gel dose is {amount(resin.gel_mj_cm3, 4)}" if resin.liquid_below_mj_cm3 > 0 else ""),
        *_graded(q),
        f"  light       {count(len(patterns.angle_rad), 'image')} a turn, {amount(patterns.irradiance_mw_cm2, 4)} "
        f"mW/cm2 at full level; {_share(q['wasted_light_fraction'], 0)} of it is not absorbed in the part",
        *_motion(record),
        *(f"  {'' if n else 'exposure':12}{text}" for n, text in enumerate(exposure)),
    ]
    lines += [f"  warning     {text}" for text in record.warnings]
    lines += [f"  assumed     {text}" for text in assumed(record, resin)]
    lines += [
        *notes_lines(record.settings),
        f"  result      {path}",
        f"  next        lightlathe export {shlex.quote(str(path))} --frames FOLDER",
        *(f"  caution     {text}" for text in cautions),
    ]
    return "\n".join(lines)


def assumed(record: Record, resin: Resin) -> tuple[str, ...]:
    """What the figures of a record take for granted about light and inserts, a sentence each."""
    parts = record.settings["part"]
    inserts = [part for part in parts if part.get("role") == "insert"]
    through = any(part.get("opaque") is False for part in inserts)
    return (
        *assumptions(
            resin.refractive_index,
            record.settings["vial"],
            record.settings["light"],
            index_assumed="resin.refractive_index" in record.assumed_keys,
        ),
        *about_inserts(record.part.opaque is not None, through, bool(record.part.absorbing)),
    )


def _ended(record: Record) -> list[str]:
    """Why the design ended, where its iterations were left open or a rule of the job ended it."""
    why = record.facts.get("stopped_because", ALL_DONE)
    if why == ALL_DONE:
        return []
    done = count(int(record.log["iteration"][-1]) + 1, "iteration")
    return [f"              {done} in {duration(record.log['seconds'][-1])}: {why}"]


def _motion(record: Record) -> list[str]:
    """That the vial's motion during an image is in the design, where it is."""
    parts = record.facts.get("design_parts", 1)
    if parts == 1:
        return []
    return [f"              designed for a vial that turns during each image, its step taken in {parts} parts"]


def extent_mm(record: Record) -> tuple[torch.Tensor, torch.Tensor, float]:
    """Lowest and highest corner of the part as placed, (3,) in the vial's frame, and how far it reaches from the axis;
    of its voxels where the file does not hold those of its surface. In mm."""
    facts, grid = record.facts, record.part.grid
    if "part_low_mm" in facts:
        low, high, reach = (torch.as_tensor(facts[f"part_{name}_mm"]).double() for name in ("low", "high", "reach"))
        return low, high, float(reach)
    solid, first = [torch.zeros(n, dtype=torch.bool) for n in grid.shape], 0
    for (slab,) in slabs(record.part.coverage):
        here = slab >= 0.5
        solid[0][first : first + len(here)] = here.any(2).any(1)
        solid[1] |= here.any(2).any(0)
        solid[2] |= here.any(1).any(0)
        first += len(here)
    ends = torch.zeros(2, 3, dtype=torch.float64)  # without a voxel of the part: nothing, on the axis
    for axis, along in enumerate(solid):
        if along.any():
            at = along.nonzero().flatten()
            ends[:, axis] = torch.stack([at[0], at[-1] + 1]) - grid.shape[axis] / 2
    return ends[0] * grid.voxel_mm, ends[1] * grid.voxel_mm, record.part.reach_mm


def _part(record: Record) -> str:
    """Size and place of the part."""
    low, high, reach = extent_mm(record)
    size, middle = (high - low).tolist(), ((low + high) / 2).tolist()
    return (
        f"  part        {size[0]:.2f} x {size[1]:.2f} x {size[2]:.2f} mm (x, y, z), middle at "
        f"({middle[0]:.2f}, {middle[1]:.2f}, {middle[2]:.2f}) mm, reaches {reach:.2f} mm from the axis "
        f"of the vial's {record.vial_radius_mm:.2f} mm"
    )


def _moved(record: Record) -> list[str]:
    """That the part was moved onto rows of pixels, where it was."""
    moved_mm = record.facts.get("moved_onto_rows_mm", 0.0)
    return [f"              {moved_words(moved_mm)}"] if moved_mm else []


def _inside(record: Record) -> list[str]:
    """How much of the part lies in an insert."""
    share = share_inside(record.part)
    return [f"              {inside_words(share)}"] if share > 0 else []


def _overlap(record: Record) -> list[str]:
    """How much of the print is right: the whole shape on the finer grid first, what a tolerance band hides last."""
    q, less = record.quality, less_band(record)
    fine_mm = record.part.grid.voxel_mm / record.settings["grid"]["finer"]
    judged = [
        ("_fine", f"the whole shape, on a finer grid of {fine_mm:g} mm"),
        ("_fine_judged", f"on the finer grid of {fine_mm:g} mm, less the tolerance band"),
        ("_whole", "the whole shape, on this grid"),
        ("", f"on this grid{less}"),
    ]
    judged = [(suffix, words) for suffix, words in judged if f"iou{suffix}" in q]
    lines = [f"{'' if n else '  overlap':14}{q[f'iou{suffix}']:.4f} of 1: {w}" for n, (suffix, w) in enumerate(judged)]
    (first, where), (last, _) = judged[0], judged[-1]
    on = " on the finer grid" if "finer" in where else ""
    for name, figure, words in (
        ("under-cure", "under_cure_fraction", "of the part's voxels stay liquid"),
        ("over-cure", "over_cure_fraction", "of the other voxels turn solid"),
    ):
        own = f"; {_share(q[figure + last], 3)} on this grid{less}" if first != last else ""
        if math.isfinite(q[figure + first]):
            lines.append(f"  {name:12}{_share(q[figure + first], 2)} {words}{on}{own}")
        else:
            lines.append(f"  {name:12}no voxel is to stay liquid")
    for whole, rest in (("_fine", "_fine_judged"), ("_whole", "")):
        if f"iou{whole}" in q and f"iou{rest}" in q:
            wrong = q[f"wrong_voxels{whole}"]
            lines.append(
                f"{'':14}the tolerance band hides {wrong - q[f'wrong_voxels{rest}']:.0f} of {wrong:.0f} wrong voxels"
                f"{on}"
            )
            break
    return lines


def less_band(record: Record) -> str:
    """What the figures on the job's own grid leave out."""
    design = record.settings.get("design", {})
    return " less the tolerance band" if design.get("tolerance_mm") or design.get("tolerance_voxels") else ""


def _window(record: Record) -> str:
    q = record.quality
    low, high, window = q["window_low_mj_cm3"], q["window_high_mj_cm3"], q["window_relative"]
    if window > 0:
        return (
            f"  window      {_share(window)}: every threshold from {low:.1f} to {high:.1f} mJ/cm3 prints every voxel "
            f"of this grid{less_band(record)} right"
        )
    if math.isnan(window):
        return f"  window      none to judge: {nothing_judged(q)}"
    size = _share(window) if window > FAR_BELOW else "far below 0"
    return (
        f"  window      {size}: up to {amount(low, 3)} mJ/cm3 outside the part, only {amount(high, 3)} in its "
        "weakest place"
    )


def _not_proven(record: Record) -> list[str]:
    """Why there is no bound, where the light is the reason: one of all slices at once did not fit."""
    if "window_gap" in record.quality or record.optics is None or record.optics.slices_independent:
        return []
    if record.settings.get("design", {}).get("bound_iterations") == 0:
        return []
    if math.isnan(record.quality["window_relative"]):
        return [f"              no bound was computed: {nothing_judged(record.quality)}"]
    light = (
        "whose rows spread over several slices" if record.optics.chords.magnification is not None else "out of focus"
    )
    nz = record.part.grid.shape[2]
    if int(record.facts.get("slab_slices_dose", nz)) < nz:
        why = "and this design went slab by slab"
    else:
        why = "and memory did not hold the search for it"
    return [f"              no bound was computed: light {light} takes one of all slices at once, {why}"]


def _proven(q: dict[str, float]) -> list[str]:
    lines = []
    if "window_gap" in q:
        where = "decided at" if "window_binding_surroundings_z_mm" in q else "slice at"
        lines.append(
            f"              proven: no patterns whatever reach more than {_share(q['window_proven_at_most'])} on these "
            f"voxels ({where} z = {q['window_binding_slice_z_mm']:.2f} mm)"
            + (f"; gap {_share(q['window_gap'])}" if q.get("window_relative", 1.0) > 0 else "")
        )
        if q["window_gap"] > WIDE_GAP and q.get("light_at_level_limit", 0.0) > HELD:
            lines.append(
                f"              {_share(q['light_at_level_limit'], 0)} of the light comes from pixels at level_limit: "
                "a higher one may close part of the gap, with a longer exposure"
            )
    if "window_all_scenarios_robust" in q:
        lines.append(
            f"              over all scenarios {_share(q['window_all_scenarios_robust'])} (a plain design: "
            f"{_share(q['window_all_scenarios_plain'])}); with no scenario applied "
            f"{_share(q['window_no_scenario_robust'])} (plain: {_share(q['window_no_scenario_plain'])})"
        )
    return lines


def _graded(q: dict[str, float]) -> list[str]:
    if "wanted_dose_rms" not in q:
        return []
    return [
        f"  doses       {q['wanted_dose_rms']:.3f} rms from those wanted, 90 % of the part within "
        f"{q['wanted_dose_90']:.3f} (in units of the gel dose)"
    ]


def _share(value: float, digits: int = 1) -> str:
    return f"{100 * value:.{digits}f} %"
