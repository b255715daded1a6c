"""How good a print is: voxel errors, process window, dose-volume figures, use of the light."""

import math
from collections.abc import Callable, Iterable

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import SolveError
from lightlathe.judge.order import BUCKETS, Pieces, edges, histogram, histograms, received_by, slabs
from lightlathe.quantities import LIQUID, SOLID, FineShape, Grid, Part, Target, Volume
from lightlathe.support.sums import exact_total, mean

NAN = float("nan")
Printed = Callable[[], Iterable[tuple[Tensor, ...]]]
"""Gives the (dose, solid, judged) of all voxels in pieces, each three tensors of one shape; the same at every call."""


def quality(
    dose: Volume,
    solid: Volume,
    part: Part | FineShape,
    *,
    liquid_below_mj_cm3: float,
    solid_above_mj_cm3: float,
    suffix: str = "",
) -> dict[str, float]:
    """Figures of one print, as plain floats by name; `suffix` is added to every name (`_fine` on the finer grid).

    dose     (x, y, z) float, mJ/cm3, 0 or more
    solid    (x, y, z) bool: what the resin makes of it (`resin.solid(dose)`)
    part     what was wanted; its ignored voxels count nowhere. All on one device.

    With P the part's voxels (must turn solid), L the others (must stay liquid), S what turns solid, |.| a count of
    voxels, d the dose of a voxel:

    iou                       |S and P| / (|P| + |S and L|): correct solid over part or wrongly solid
    under_cure_fraction       |P not S| / |P|: share of the part's voxels that stay liquid
    over_cure_fraction        |S and L| / |L|: share of the must-stay-liquid voxels that turn solid
    over_cure_of_part         |S and L| / |P|: the same relative to the part (under_cure_of_part is under_cure_fraction)
    wrong_voxels              |P not S| + |S and L|, a count
    unsure_part_fraction      share of P with d < solid_above: not solid for sure
    unsure_liquid_fraction    share of L with d > liquid_below: not liquid for sure
    window_low_mj_cm3         max of d over L
    window_high_mj_cm3        min of d over P
    window_relative           1 - max over L / min over P; below 0 no threshold prints it right
    window_relative_98        1 - D2_out / D98_in: the same but for the worst 2 % of either
    D98_in, D50_in, D2_in, D2_out (all _mj_cm3)    dose-volume points of P and of L
    homogeneity               (D2_in - D98_in) / D50_in; 0 is even

    Dose-volume figures: V_D = |{voxels of a region with d >= D}| / |region| is the share that receives D or more, and
    D_V = max {D : V_D >= V} the dose that V % of the region receive at least. D98 stands for the smallest dose, D2 for
    the largest, D50 is the median; single voxels do not decide them.

    A share of no voxels is NaN; windows and homogeneity are NaN without any dose. A window is -inf where some part
    of the part gets no dose and something else does.
    Memory   one slab of the volume beside the inputs. Dose-volume points are exact for float32 doses.
    Raises   ShapeError if the shapes differ, SolveError if a dose is not finite.
    Source   V_D, D_V and D98, D50, D2 in place of extremes: ICRU Report 83 (2010), section 3; homogeneity as there
             (from memory). IoU: the index of P. Jaccard, New Phytologist 11 (1912) 37 (from memory).
    """
    has_axes("dose", dose, ("x", "y", "z"), part.grid.shape)
    has_axes("solid", solid, ("x", "y", "z"), part.grid.shape)
    return quality_of(
        lambda: slabs(dose, solid, part.judged),
        liquid_below_mj_cm3=liquid_below_mj_cm3,
        solid_above_mj_cm3=solid_above_mj_cm3,
        suffix=suffix,
    )


def quality_of(
    printed: Printed, *, liquid_below_mj_cm3: float, solid_above_mj_cm3: float, suffix: str = ""
) -> dict[str, float]:
    """As `quality`, of voxels that come in pieces: for prints that are never held whole. It goes through them twice."""
    inside = outside = missing = extra = short = above = 0
    least_in, most_out = math.inf, -math.inf
    counts_in, counts_out = (torch.zeros(BUCKETS, dtype=torch.int64) for _ in range(2))
    for d, s, j in printed():
        if not bool(torch.isfinite(d).all()):
            raise SolveError("the dose holds NaN or infinity; expected finite mJ/cm3. Are the patterns finite?")
        is_in, is_out = j == SOLID, j == LIQUID
        d_in, d_out = d[is_in], d[is_out]
        inside += d_in.numel()
        outside += d_out.numel()
        missing += int((~s & is_in).sum())
        extra += int((s & is_out).sum())
        short += int((d_in < solid_above_mj_cm3).sum())
        above += int((d_out > liquid_below_mj_cm3).sum())
        if d_in.numel():
            least_in = min(least_in, float(d_in.min()))
        if d_out.numel():
            most_out = max(most_out, float(d_out.max()))
        counts_in += histogram(d, j, SOLID)
        counts_out += histogram(d, j, LIQUID)
    low = most_out if outside else NAN
    high = least_in if inside else NAN
    (d98, d50, d2), (d2_out,) = received_by(
        lambda: ((d, j) for d, _, j in printed()),
        [(SOLID, (0.98, 0.50, 0.02), counts_in), (LIQUID, (0.02,), counts_out)],
    )
    figures = {
        "iou": _share(inside - missing, inside + extra),
        "under_cure_fraction": _share(missing, inside),
        "over_cure_fraction": _share(extra, outside),
        "over_cure_of_part": _share(extra, inside),
        "wrong_voxels": float(missing + extra),
        "unsure_part_fraction": _share(short, inside),
        "unsure_liquid_fraction": _share(above, outside),
        "window_relative": _window(low, high),
        "window_relative_98": _window(d2_out, d98),
        "window_low_mj_cm3": low,
        "window_high_mj_cm3": high,
        "D98_in_mj_cm3": d98,
        "D50_in_mj_cm3": d50,
        "D2_in_mj_cm3": d2,
        "D2_out_mj_cm3": d2_out,
        "homogeneity": (d2 - d98) / d50 if d50 > 0 else NAN,
    }
    return {name + suffix: value for name, value in figures.items()}


def best_thresholds(pieces: Pieces, between: tuple[float, float] | None = None) -> tuple[float, float, float]:
    """The dose thresholds that print the part best: (lowest, highest, iou), in the unit of the dose.

    Every threshold between the two gives the same, largest iou, within 0.05 % of the dose. With a positive window
    they are the window itself and the iou is 1. (Fewest wrong voxels would be the same there, but would call a small
    part best printed by printing nothing.) NaN, NaN, NaN without a part or without dose in it.

    between   the best of the thresholds from one to another; NaN, NaN, NaN too where they lie within 0.05 %
    """
    inside, outside = histograms(pieces, (SOLID, LIQUID))
    lowest = edges()
    # entry b: a threshold at the lower edge of bucket b + 1, so that a voxel without dose is never solid
    right = (inside.sum() - inside.cumsum(0)).double()
    extra = (outside.sum() - outside.cumsum(0)).double()
    iou = right / (inside.sum() + extra)
    if between is not None:
        thresholds = torch.cat([lowest[1:], torch.tensor([math.inf])])
        iou[(thresholds < between[0]) | (thresholds > between[1])] = NAN
        if bool(iou.isnan().all()):
            return NAN, NAN, NAN
        iou = iou.nan_to_num(-1.0)
    first = int(iou.argmax())
    if not right[first] > 0:
        return NAN, NAN, NAN
    last = first
    while last + 1 < len(iou) and iou[last + 1] == iou[first]:  # above the highest dose iou is 0
        last += 1
    return float(lowest[first + 1]), float(lowest[last + 1]), float(iou[first])


def light_use(dose: Tensor, part: Part, incident_mj: float) -> dict[str, float]:
    """Where the light went, as shares of `incident_mj` (all that was sent into the vial; NaN if that is 0).

    part_light_fraction       absorbed in the part, each voxel by its covered fraction less an insert's
    absorbed_light_fraction   absorbed in the grid; the rest left the vial or was absorbed outside the grid
    wasted_light_fraction     1 - part_light_fraction
    """
    has_axes("dose", dose, ("x", "y", "z"), part.grid.shape)
    in_part = sum(float(exact_total(d * c)) for d, c in slabs(dose, part.printed()))
    return light_shares(in_part, float(exact_total(dose)), part.grid, incident_mj)


def light_shares(in_part: float, in_grid: float, grid: Grid, incident_mj: float) -> dict[str, float]:
    """The figures of `light_use`, from the sums of the dose of all voxels, mJ/cm3: each by its share of the part, and
    as they are."""
    cm3 = grid.voxel_mm**3 * 1e-3
    used = _share(in_part * cm3, incident_mj)
    return {
        "part_light_fraction": used,
        "absorbed_light_fraction": _share(in_grid * cm3, incident_mj),
        "wasted_light_fraction": 1 - used,
    }


def graded(dose: Tensor, target: Target) -> dict[str, float]:
    """How well a graded part gets the doses it wants: (x, y, z) dose in units of the gel dose, target with doses.

    wanted_dose_rms    root mean square of dose less wanted, over the part's voxels, in units of the gel dose
    wanted_dose_90     90 % of the part's voxels lie no further from theirs
    """
    assert target.dose is not None
    solid = target.solid.cpu()
    away = (dose.cpu() - target.dose.cpu())[solid].abs().double()
    if not away.numel():
        return {"wanted_dose_rms": NAN, "wanted_dose_90": NAN}
    within = float(away.kthvalue(max(1, math.ceil(0.9 * away.numel()))).values)
    return {"wanted_dose_rms": float(mean(away.square()).sqrt()), "wanted_dose_90": within}


def _share(count: float, total: float) -> float:
    return count / total if total else NAN


def _window(out: float, inside: float) -> float:
    if math.isnan(out) or math.isnan(inside) or (out <= 0 and inside <= 0):
        return NAN
    return 1 - out / inside if inside > 0 else -math.inf
