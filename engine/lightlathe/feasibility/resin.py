"""Whether enough light reaches the part, and how much stray light the resin tolerates."""

import math
from collections.abc import Callable

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.even_light import centre, depth_where, edge
from lightlathe.feasibility.limits import any_ray_limit, disc_limit, nearest_mm, slice_limit, speck_limit
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, duration, rounded_down, rounded_up

TIGHT_LIMIT = 0.2  # a proven limit below this leaves little: near 0, designs reach almost all of it (measured here)
# mu R above which no centred disc of R / 2 or more printed at 32 voxels (measured here). So README.md, `help job` and
# the check advise half the radius of penetration depth; the check more where the limit is below TIGHT_LIMIT there
MAX_OPTICAL_DEPTH = 2.0
# windows of designs: five real meshes at mu R = 0.5, 256 and 512 voxels across, have 12 to 23 %, the check valve of
# `init` 11 % at mu R = 0.4 (benchmarks/QUALITY.md, README.md): a resin that needs more than the least may not get it
REACHED_WINDOW, REACHED_MOST = 0.11, 0.23
RING_OPTICAL_DEPTH = 3.0  # mu R above which even light is a ring at the wall: the axis gets 9 % of the wall's dose


def window_limit(case: Case) -> Callable[[float], float]:
    """The proven limit of the process window as a function of absorption, for this part in this vial.

    Half a voxel of the wall and of the part's surface is given away: no voxel centre lies nearer. `strip_limit` gives
    away its numerical error too, the closed forms have none; so 0 or less excludes every print. It is of the resin
    everywhere, between the voxels' centres too: a design whose pixels are finer than its voxels, which looks at their
    centres alone, can seem to do better. Where rays are bent the limit is a weak one that holds for any rays; infinite
    beside inserts, which may stand where it counts the light.
    """
    wall = case.vial.radius_mm - case.grid.voxel_mm / 2
    if not case.straight_rays:
        if case.part.beside is not None:
            return lambda _absorption: math.inf
        pitch, ball = case.part.slice_voxel_mm or case.grid.voxel_mm, case.grid.voxel_mm / 2
        nearest = 0.0 if case.part.slices is None else nearest_mm(case.part.slices, pitch)
        return lambda absorption: any_ray_limit(absorption, wall, nearest, ball, case.vial.resin_height_mm)
    reach = min(case.part.radius_mm, wall)
    speck = case.grid.voxel_mm / 2

    def any_shape(absorption: float) -> float:
        return speck_limit(absorption, wall, reach, speck)

    if case.part.slices is None:
        return lambda absorption: min(
            any_shape(absorption), disc_limit(absorption, wall, max(reach - case.grid.voxel_mm / 2, speck))
        )
    slices = case.part.slices.unbind(2)
    pitch = case.part.slice_voxel_mm or case.grid.voxel_mm
    return lambda absorption: min(
        [any_shape(absorption), *(slice_limit(s, pitch, wall, reach, absorption, case.grid.voxel_mm) for s in slices)]
    )


def absorption(case: Case) -> Reason:
    """Depth of the light against the vial and the part: ring at the wall, proven limit, depth needed."""
    limit_at = window_limit(case)
    limit = limit_at(case.resin.absorption_per_mm)
    whose = "a solid part of this radius" if case.part.slices is None else "this part"
    light = (
        f"light falls to 1/e over {amount(case.depth_mm)} mm of this resin and the vial's radius is "
        f"{amount(case.vial.radius_mm, 3)} mm (mu R = {amount(case.a)}); in even light the axis gets "
        f"{_percent(centre(case.a) / edge(case.a))} of the wall's dose"
    )
    at_wall = case.part.radius_mm > case.vial.radius_mm - case.grid.voxel_mm
    if not case.straight_rays:
        why, beside = "this beam's rays are not straight", case.part.beside
        if beside is not None and beside.shaded:
            why = "light ends at an insert" if beside.opaque else "an insert absorbs otherwise than the resin"
        light += f"; {why}, so the quick bound on the process window does not hold"
        light += "" if case.design.bound_iterations == 0 else ": the design looks for one that does"
    if at_wall or (limit > 0 and not case.straight_rays):
        if case.a < MAX_OPTICAL_DEPTH:
            return Reason("absorption", "will work", f"{light}.", case.a, MAX_OPTICAL_DEPTH)
        text = f"{light}.{_slip(case, limit_at)}"
        return Reason("absorption", "marginal", text, case.a, MAX_OPTICAL_DEPTH, "", _paler(case, limit_at))
    if limit <= 0:
        needed = _depth_for(limit_at, 0.0, case.depth_mm)
        dies = depth_where(case.a, 0.01)
        if case.a >= RING_OPTICAL_DEPTH and math.isfinite(dies):
            text = (
                f"this resin takes {amount(case.depth_mm)} mm of depth, the vial's radius is "
                f"{amount(case.vial.radius_mm, 3)} mm: light dies in the outer {amount(dies * case.vial.radius_mm)} mm "
                f"and leaves a ring about {amount(depth_where(case.a, math.exp(-1)) * case.vial.radius_mm, 1)} mm thick"
            )
        else:
            text = f"{light}. No patterns give {whose} more than the wall gets"
        least = "" if case.straight_rays else " at the very least, whatever the directions of the light"
        text += (
            f"; it would need a penetration depth above {amount(needed)} mm{least} to print at all (a proven limit)."
            f"{_slip(case, limit_at)}"
        )
        return Reason("absorption", "cannot work", text, limit, 0.0, "process window", _paler(case, limit_at))
    its_own = "" if case.design.bound_iterations == 0 else "; the design proves one for its voxels"
    text = (
        f"{light}. For {whose} no patterns reach a process window above {_percent(limit)}, by a quick bound "
        f"for resin everywhere, between the voxels' centres too{its_own}."
    )
    if limit < TIGHT_LIMIT or case.a > MAX_OPTICAL_DEPTH:
        return Reason("absorption", "marginal", text, limit, TIGHT_LIMIT, "process window", _paler(case, limit_at))
    return Reason("absorption", "will work", text, limit, TIGHT_LIMIT, "process window")


def _slip(case: Case, limit_at: Callable[[float], float]) -> str:
    """A hint where light hardly reaches the axis, and the same number in another unit would be a printable resin."""
    if limit_at(case.resin.absorption_per_mm) > 0 and case.a < RING_OPTICAL_DEPTH:
        return ""
    given = case.resin.absorption_per_mm
    readings = {"per cm": given / 10, "the penetration depth in mm": 1 / given}
    return "".join(
        f" If {amount(given, 4)} is {words}, absorption_per_mm = {amount(value, 4)}."
        for words, value in readings.items()
        if value < given
        and limit_at(value) > TIGHT_LIMIT
        and (case.straight_rays or value * case.vial.radius_mm <= MAX_OPTICAL_DEPTH)
    )


def _paler(case: Case, limit_at: Callable[[float], float]) -> str:
    """A resin with lower absorption that would print, and a narrower vial that would do instead, if one exists."""
    depth = max(_depth_for(limit_at, TIGHT_LIMIT, case.depth_mm), case.vial.radius_mm / MAX_OPTICAL_DEPTH)
    stated = rounded_up(depth)
    less = 100 * case.depth_mm / float(stated)
    share = f"{rounded_down(less)} %" if less >= 0.01 else "less than 0.01 %"
    half = depth <= case.vial.radius_mm / MAX_OPTICAL_DEPTH
    why = "half the vial's radius" if half else f"where the limit on the window is {_percent(TIGHT_LIMIT)}"
    change = (
        f"a penetration depth of {stated} mm or more, that is {share} of the absorption ({why}): less absorber or "
        "initiator, or a wavelength that the resin takes less of"
    )
    narrower = _narrower(case)
    if narrower:
        change += f". Or a vial of {narrower} mm or less, which still holds the part"
    return change + "."


def _narrower(case: Case) -> str:
    """The widest vial (mm across) in which this resin prints the part with enough margin; empty if none does."""

    def enough(diameter: float) -> bool:
        other = case.having(vial={"inner_diameter_mm": diameter})
        return other.a <= MAX_OPTICAL_DEPTH and window_limit(other)(case.resin.absorption_per_mm) >= TIGHT_LIMIT

    narrowest, widest = 2 * case.part.radius_mm + 4 * case.grid.voxel_mm, 2 * case.vial.radius_mm
    if narrowest >= widest or not enough(narrowest):
        return ""
    while widest / narrowest > 1.01:
        middle = math.sqrt(narrowest * widest)
        narrowest, widest = (middle, widest) if enough(middle) else (narrowest, middle)
    text = rounded_down(narrowest)
    return text if float(text) >= 2 * case.part.radius_mm + 4 * case.grid.voxel_mm and enough(float(text)) else ""


def _depth_for(limit_at: Callable[[float], float], window: float, start_mm: float) -> float:
    """Smallest penetration depth whose limit is `window`, to 1 %, found by doubling and halving from too small."""
    low = high = start_mm
    while limit_at(1 / high) < window and high < 1e6 * start_mm:
        low, high = high, 2 * high
    while high / low > 1.01:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if limit_at(1 / middle) < window else (low, middle)
    return high


def threshold(case: Case) -> Reason:
    """The resin's two doses: is there a safe dose at all, and how wide a window do they ask for?"""
    low, high = case.resin.liquid_below_mj_cm3, case.resin.solid_above_mj_cm3
    if low == 0 and case.part.surrounded:
        text = (
            "liquid_below is 0: everything that light touches turns solid, and to reach the part light must pass "
            "through all the rest."
        )
        change = (
            "a resin with an inhibitor (oxygen or an added one), so that some dose leaves it liquid. If 0 stands for "
            "'not measured', measure it."
        )
        return Reason("threshold", "cannot work", text, 0.0, 0.0, "mJ/cm3", change)
    need = 1 - low / high
    if low == high and case.part.surrounded:
        text = (
            f"liquid_below and solid_above are one dose, {amount(low, 3)} mJ/cm3: no resin turns solid at one dose, "
            "and no margin is left for what lies between. Is it measured so, or is it one number from a data sheet?"
        )
        change = (
            "the two doses as measured (vials on either side: lightlathe resin). With one number alone take 10 % "
            f"either side of it: liquid_below_mj_cm3 = {amount(0.9 * low, 3)}, solid_above_mj_cm3 = "
            f"{amount(1.1 * low, 3)}."
        )
        return Reason("threshold", "marginal", text, 0.0, None, "", change)
    text = f"the resin stays liquid below {amount(low, 3)} and is solid above {amount(high, 3)} mJ/cm3{_over(case)}"
    if not case.part.surrounded:
        text += ": all of the part must get the latter; nothing around it is judged."
        return Reason("threshold", "will work", text, high, None, "mJ/cm3")
    text += (
        f": to be sure everywhere, the part must get {_times(high / low)} the dose of its surroundings, a process "
        f"window of {_percent(need)}"
    )
    narrow = "measure the two doses closer together, with more vials between them; or a resin that turns more sharply."
    limit = window_limit(case)(case.resin.absorption_per_mm)
    if need > limit > 0:
        text += (
            f", above the proven limit of {_percent(limit)}: no light is right for every threshold between the two, so "
            "the true one must be found by trying."
        )
        return Reason("threshold", "marginal", text, need, limit, "", narrow)
    if need > REACHED_WINDOW:
        text += (
            f"; designs of real meshes reach {_percent(REACHED_WINDOW)} to {_percent(REACHED_MOST)}, so some doses may "
            "lie between the two, and the right exposure is then found by trying: print it, and tell `lightlathe "
            "predict RESULT --came-out`."
        )
        return Reason("threshold", "marginal", text, need, REACHED_WINDOW, "", narrow)
    return Reason("threshold", "will work", f"{text}.", need, REACHED_WINDOW)


def _over(case: Case) -> str:
    """The exposure that the two doses are for, where they change with it."""
    seconds = None if case.steady else getattr(case.resin, "planned_exposure_s", None)
    if seconds is None:
        return ""
    time = duration(seconds)
    return f" where the dose comes over {time} (planned_exposure_s; the design takes the doses of its own exposure)"


def _times(ratio: float) -> str:
    """A ratio in words, its excess over 1 to two digits: 1.1 times, 1.0048 times."""
    return "at least" if ratio == 1 else f"{1 + float(amount(ratio - 1)):.10g} times"


def _percent(share: float) -> str:
    percent = 100 * share
    if 0 < percent < 0.01:
        return "less than 0.01 %"
    return f"{amount(percent)} %" if abs(percent) < 99.5 else f"{percent:.0f} %"
