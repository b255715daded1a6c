"""Whether there is enough light, and whether the part keeps its place and temperature during the exposure."""

import math
from collections.abc import Callable
from typing import Any

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.even_light import mean_within, profile
from lightlathe.feasibility.illumination import mean_irradiance
from lightlathe.feasibility.side_effects import cooling_s, curing_heat_k, light_heat_k, sinking_mm_s
from lightlathe.judge.turning import FAST_TURN_S, VIDEO_RATE
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, count, duration, rounded_down, rounded_up

MAX_TIMES = 1e9  # the irradiance: no more is looked for
SHORTEST_S = 1e-6  # no exposure is shorter
PATIENCE_S = 600.0  # prints take tens of seconds to minutes (common practice, no source)
HOURS_S = (
    3600.0  # far longer than any print that is usual, for what a design usually needs (common practice, no source)
)
FEW_BITS = 3  # below, much of the window is lost: a disc in 60 images has none with 1 bit, 0.75 of it with 2, measured
FINE = " (where its pixels are finer than its voxels, as here, it may need several times that)"
HOT_K = 60.0  # rise that takes a resin from room temperature to where many fume (common practice, no source)
DENSITY_RISE_KG_M3 = 50.0  # of a cured acrylate over its liquid (from memory)
CONVERSION = 0.3  # of double bonds when a part has just gelled all through (from memory)


def exposure_range_s(case: Case) -> tuple[float, float]:
    """(shortest possible, longest expected) exposure time, s.

    Shortest: every pixel full all the time, until the brightest point of the part reaches the gel dose; a lower bound.
    Longest: the brightest pixel at `level_limit` times the even light that takes the part's mean dose to solid_above.
    Not an upper bound: light lost between voxel centres, or to smear, costs more.
    Both infinite where the light underflows in float64.
    """
    within = min(1.0, case.part.radius_mm / case.vial.radius_mm)
    fastest = _time_for(case, lambda resin: resin.gel_mj_cm3, case.dose_rate * profile(case.a, within))
    even = case.dose_rate * mean_within(case.a, within) * mean_irradiance(case)
    slowest = _time_for(case, lambda resin: resin.solid_above_mj_cm3, even / case.design.level_limit)
    return fastest, max(fastest, slowest)


def _time_for(case: Case, dose_of: Callable[[Any], float], rate: float) -> float:
    """Seconds at `rate` mJ/(cm3 s) until the resin has the dose that it needs when exposed for that long."""
    if rate <= 0:
        return math.inf
    if case.steady:
        return dose_of(case.resin) / rate
    low, high = SHORTEST_S, 1e9  # the dose needed falls with the time that it may take
    while high / low > 1 + 1e-6:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if middle * rate < dose_of(case.resin.at(middle)) else (low, middle)
    return high


def likely_s(case: Case) -> float:
    """The expected exposure at full level: the geometric mean of the shortest and the longest."""
    short, long = exposure_range_s(case)
    return math.sqrt(short) * math.sqrt(long)


def allowed_s(case: Case) -> float:
    """The longest exposure allowed, in whole turns."""
    return max(1, math.floor(case.turn.longest_s / case.turn.seconds_per_turn + 1e-9)) * case.turn.seconds_per_turn


def brighter(case: Case, enough: Callable[[Case], bool], guess: float) -> str:
    """The factor of the irradiance that is enough, rounded up to two digits. Searched upwards from a guess: some resins
    need more dose in less time."""
    times, now = float(rounded_up(guess)), case.light.irradiance_mw_cm2
    while times < MAX_TIMES and not enough(case.having(light={"irradiance_mw_cm2": now * times})):
        times = float(rounded_up(1.01 * times))
    return rounded_up(times)


def light(case: Case) -> Reason:
    """Light budget: the expected exposure against the longest allowed, a practical limit and one turn."""
    short, long = exposure_range_s(case)
    likely, allowed, turn_s = likely_s(case), allowed_s(case), case.turn.seconds_per_turn
    text = (
        f"{amount(case.light.irradiance_mw_cm2, 3)} mW/cm2 into this resin makes {amount(case.dose_rate)} mJ/cm3 a "
        f"second at the wall: {duration(short)} is the shortest possible exposure, {duration(long)} about the longest "
        f"that a design usually needs{FINE if case.pixels_are_finer else ''}, shown in whole turns of "
        f"{duration(turn_s)} with the levels dimmed to suit"
    )
    limit = f"the {duration(allowed)} that max_exposure_s allows"
    if case.turn.max_exposure_s is None:
        limit = f"the {duration(allowed)} allowed where no max_exposure_s is set"
    if case.resin.liquid_below_mj_cm3 == 0:
        text = f"{text.partition(':')[0]}; any of it turns this resin solid, so there is no exposure to plan."
        return Reason("light", "will work", text)
    if short > allowed:
        if math.isinf(short):
            change = "a paler resin: no light arrives at the part."
        else:
            least = brighter(case, lambda other: exposure_range_s(other)[0] <= allowed, short / allowed)
            safe = brighter(case, lambda other: exposure_range_s(other)[1] <= allowed, long / allowed)
            time = "as much more time" if case.steady else f"{duration(short)} to {duration(long)}"
            change = (
                f"at least {least} times the irradiance, {safe} times to be on the safe side; or {time} "
                "(max_exposure_s in [turn])."
            )
        text += f"; even the shortest takes longer than {limit}."
        return Reason("light", "cannot work", text, short, allowed, "s", change)
    if short > PATIENCE_S:
        change = "a paler resin, so that light arrives at the part."
        if case.a < 3:
            times = amount(likely / 60)
            change = f"{times} times the irradiance for a print of about a minute; or a more sensitive resin."
        slow = f"very slow, and a design may take longer than {limit}" if long > allowed else "very slow"
        return Reason("light", "marginal", f"{text}: {slow}.", short, PATIENCE_S, "s", change)
    if long > allowed:
        if math.isinf(long):
            change = "a paler resin, so that light arrives at all of the part"
        else:
            change = brighter(case, lambda other: exposure_range_s(other)[1] <= allowed, long / allowed)
            change += " times the irradiance"
            turns = math.ceil(long / turn_s * (1 - 1e-9))
            change += f", or max_exposure_s = {rounded_up(turns * turn_s, 6)} in [turn]"
        text += f"; a design may take longer than {limit}"
        return Reason("light", "marginal", f"{text}.", long, allowed, "s", f"{change}.")
    if long > HOURS_S:
        change = "a paler resin, so that light arrives at all of the part."
        if case.a < 3:
            times = brighter(case, lambda other: exposure_range_s(other)[1] <= HOURS_S, long / HOURS_S)
            change = f"{times} times the irradiance; or a more sensitive resin."
        return Reason("light", "marginal", f"{text}: very slow.", long, HOURS_S, "s", change)
    if long < turn_s:
        text += f"; one turn takes {duration(turn_s)}, so levels must be dimmed and lose steps."
        faster = f", or a turn of {amount(likely)} s" if _can_turn_in(case, likely) else ""
        change = f"a lamp at {amount(100 * likely / turn_s)} % of its light{faster}."
        return Reason("light", "marginal", text, long, turn_s, "s", change)
    return Reason("light", "will work", f"{text}.", short, PATIENCE_S, "s")


def _can_turn_in(case: Case, seconds: float) -> bool:
    """Whether a turn of so many seconds neither stirs the resin nor asks too much of the projector."""
    return seconds >= FAST_TURN_S and case.turn.angles / seconds <= VIDEO_RATE


def levels(case: Case) -> Reason | None:
    """Whether the projector has enough levels; always enough with three bits or more."""
    bits, planes = case.light.level_bits, case.light.planes
    if bits >= FEW_BITS:
        return None
    shown, number = (count(bits, "bit"), 2**bits) if planes == 1 else (f"{planes} planes of one bit", planes + 1)
    text = (
        f"{shown}: a pixel has {number} levels, dark one of them, and what a design needs in "
        "between is lost; 2 levels left a disc no process window, 4 three quarters of it, 8 nearly all."
    )
    change = f"{FEW_BITS} bits or more, 8 where the projector shows them as fast; or more images a turn."
    if case.light.bits == 1:
        change = f"planes = {2**FEW_BITS - 1} or more, one-bit frames an image (planes in [light]); or {change}"
    return Reason("levels", "marginal", text, bits, FEW_BITS, "bits", change)


def sinking(case: Case) -> Reason:
    """How far the cured part, taken as a sphere of equal volume, sinks in half the exposure time."""
    volume = case.part.volume_mm3 or math.pi * case.part.radius_mm**2 * case.part.height_mm
    ball = (3 * volume / (4 * math.pi)) ** (1 / 3)
    turning, allowed_time = max(case.turn.seconds_per_turn, likely_s(case)), allowed_s(case)
    what = "a likely exposure" if turning <= allowed_time else "the longest exposure allowed"
    turning = min(turning, allowed_time)
    time = turning / 2
    when = f"{duration(time)}, half of {what}"
    if case.pixels_are_finer:
        when += " (pixels finer than the voxels may make it several times as long, and as much worse)"
    rise = case.resin.density_rise_kg_m3 or DENSITY_RISE_KG_M3
    allowed = case.light.pixel_mm
    thick = sinking_mm_s(ball, rise, 1.0) * time / allowed  # viscosity at which it sinks one pixel
    if case.resin.viscosity_pa_s is None:
        text = (
            f"viscosity_pa_s of the resin is not given; below about {amount(thick)} Pa s a part of this size, "
            f"{amount(rise, 3)} kg/m3 denser than the resin, sinks by more than a pixel in {when}."
        )
        return Reason("sinking", "will work", text, None, thick, "Pa s", known=False)
    sunk = sinking_mm_s(ball, rise, case.resin.viscosity_pa_s) * time
    text = f"at {amount(case.resin.viscosity_pa_s, 3)} Pa s the part sinks about {amount(sunk)} mm in {when}"
    if sunk > allowed:
        change = f"a resin of {rounded_up(thick)} Pa s or more (colder resin is thicker too)."
        wanted = turning * allowed / sunk
        if wanted >= case.turn.seconds_per_turn:
            times = brighter(case, lambda other: likely_s(other) <= wanted, likely_s(case) / wanted)
            change = f"{times} times the irradiance, or {change}"
        elif _can_turn_in(case, wanted):
            turn_s = float(rounded_down(wanted))
            more = ""
            if likely_s(case) > turn_s:
                times = brighter(case, lambda other: likely_s(other) <= turn_s, likely_s(case) / turn_s)
                more = f" with {times} times the irradiance"
            change = f"a turn of {turn_s:g} s{more}, or {change}"
        return Reason("sinking", "marginal", f"{text}, more than a pixel.", sunk, allowed, "mm", change)
    return Reason("sinking", "will work", f"{text}.", sunk, allowed, "mm")


def heat(case: Case) -> Reason:
    """Adiabatic temperature rise of the part during a print."""
    lit = light_heat_k(case.resin.solid_above_mj_cm3)
    leaves = cooling_s(case.vial.radius_mm)
    if case.resin.double_bonds_mol_m3 is None:
        typical = curing_heat_k(5000, CONVERSION)
        text = (
            f"the light itself warms the part by {amount(lit)} K; curing warms it more, a plain acrylate by about "
            f"{typical:.0f} K, and that heat needs about {duration(leaves)} to leave this vial. double_bonds_mol_m3 of "
            "this resin tells how much."
        )
        return Reason("heat", "will work", text, lit, HOT_K, "K", known=False)
    rise = curing_heat_k(case.resin.double_bonds_mol_m3, CONVERSION) + lit
    text = (
        f"curing {100 * CONVERSION:.0f} % of the double bonds warms the part by about {amount(rise)} K; that heat "
        f"needs about {duration(leaves)} to leave this vial"
    )
    if rise > HOT_K:
        change = "a resin with fewer double bonds (a diluent, a filler), a smaller part, or light in doses with pauses."
        return Reason("heat", "marginal", f"{text}.", rise, HOT_K, "K", change)
    return Reason("heat", "will work", f"{text}.", rise, HOT_K, "K")
