"""Is there light enough, and does the part keep its place and its temperature meanwhile?"""

import math

from lightlathe.judge.case import Case
from lightlathe.judge.even_light import mean_within, profile
from lightlathe.judge.side_effects import cooling_s, curing_heat_k, light_heat_k, sinking_mm_s
from lightlathe.judge.verdict import Reason
from lightlathe.words import amount, duration

LONG_S = 600.0  # prints take tens of seconds to minutes (common practice, no source)
FAST_TURN_S = 1.0  # faster, resin is stirred (common practice, no source)
HOT_K = 60.0  # rise that takes a resin from room temperature to where many fume (common practice, no source)
DENSITY_RISE_KG_M3 = 50.0  # of a cured acrylate over its liquid (from memory)
CONVERSION = 0.3  # of double bonds when a part has just gelled all through (from memory)


def exposure_range_s(case: Case) -> tuple[float, float]:
    """(shortest possible, longest to be expected) exposure.

    Shortest: every pixel full all the time, and the part's best lit place just solid; no patterns are faster.
    Longest: the brightest pixel at `level_limit` times the even light that takes the part's mean dose to the gel dose.
    Both infinite where the resin is so dark that no light arrives in float64.
    """
    within = min(1.0, case.part_radius_mm / case.vial_radius_mm)
    fastest = _time_for(case.solid_above_mj_cm3, case.dose_rate * profile(case.a, within))
    even = _time_for(case.gel_mj_cm3, case.dose_rate * mean_within(case.a, within))
    return fastest, max(fastest, case.level_limit * even)


def _time_for(dose: float, rate: float) -> float:
    return dose / rate if rate > 0 else math.inf


def light(case: Case) -> Reason:
    """Light budget: the range of exposure against what is allowed, patient and one turn."""
    short, long = exposure_range_s(case)
    text = (
        f"{amount(case.irradiance_mw_cm2, 3)} mW/cm2 into this resin makes {amount(case.dose_rate)} mJ/cm3 a second at "
        f"the wall: {duration(short)} is the shortest possible exposure, {duration(long)} about the longest a design "
        f"may need, rounded up to whole turns of {duration(case.turn_s)}"
    )
    if case.max_exposure_s is not None and short > case.max_exposure_s:
        factor = short / case.max_exposure_s
        change = f"{amount(factor)} times the irradiance, or as much more time."
        if math.isinf(factor):
            change = "a paler resin: no light arrives at the part."
        return Reason(
            "light",
            "cannot work",
            f"{text}; {duration(case.max_exposure_s)} are allowed.",
            short,
            case.max_exposure_s,
            "s",
            change,
        )
    if short > LONG_S:
        change = "a paler resin, so that light arrives at the part."
        if case.a < 3:
            change = (
                f"{amount(short / 60)} times the irradiance for a print of about a minute; or a more sensitive resin."
            )
        return Reason("light", "marginal", f"{text}: very slow.", short, LONG_S, "s", change)
    if long < case.turn_s:
        return Reason(
            "light",
            "marginal",
            f"{text}; one turn takes {duration(case.turn_s)}, so levels must be dimmed and lose steps.",
            long,
            case.turn_s,
            "s",
            f"a lamp at {amount(100 * long / case.turn_s)} % of its light"
            + (f", or a turn of {amount(long)} s." if long >= FAST_TURN_S else "."),
        )
    return Reason("light", "will work", f"{text}.", short, LONG_S, "s")


def sinking(case: Case) -> Reason:
    """How far the cured part, as a ball of its volume, sinks while the rest cures (half of a likely exposure)."""
    volume = case.part_volume_mm3 or math.pi * case.part_radius_mm**2 * case.part_height_mm
    ball = (3 * volume / (4 * math.pi)) ** (1 / 3)
    time = min(LONG_S, math.sqrt(math.prod(exposure_range_s(case)))) / 2
    rise = case.density_rise_kg_m3 or DENSITY_RISE_KG_M3
    allowed = case.pixel_mm
    thick = sinking_mm_s(ball, rise, 1.0) * time / allowed  # viscosity at which it sinks one pixel
    if case.viscosity_pa_s is None:
        text = (
            f"viscosity_pa_s of the resin is not given; below about {amount(thick)} Pa s a part of this size, "
            f"{amount(rise, 3)} kg/m3 denser than the resin, sinks by more than a pixel in {duration(time)}."
        )
        return Reason("sinking", "will work", text, None, thick, "Pa s", known=False)
    sunk = sinking_mm_s(ball, rise, case.viscosity_pa_s) * time
    text = f"at {amount(case.viscosity_pa_s, 3)} Pa s the part sinks about {amount(sunk)} mm in {duration(time)}"
    if sunk > allowed:
        change = (
            f"{amount(sunk / allowed)} times the irradiance, or a resin of {amount(thick)} Pa s (colder resin is "
            "thicker too)."
        )
        return Reason("sinking", "marginal", f"{text}, more than a pixel.", sunk, allowed, "mm", change)
    return Reason("sinking", "will work", f"{text}.", sunk, allowed, "mm")


def heat(case: Case) -> Reason:
    """Temperature rise of the part, whose heat cannot leave in the time of a print."""
    lit = light_heat_k(case.solid_above_mj_cm3)
    leaves = cooling_s(case.vial_radius_mm)
    if case.double_bonds_mol_m3 is None:
        typical = curing_heat_k(5000, CONVERSION)
        text = (
            f"the light itself warms the part by {amount(lit)} K; curing warms it more, a plain acrylate by about "
            f"{typical:.0f} K, and that heat needs about {duration(leaves)} to leave this vial. double_bonds_mol_m3 of "
            "this resin tells how much."
        )
        return Reason("heat", "will work", text, lit, HOT_K, "K", known=False)
    rise = curing_heat_k(case.double_bonds_mol_m3, CONVERSION) + lit
    text = (
        f"curing {100 * CONVERSION:.0f} % of the double bonds warms the part by about {amount(rise)} K; that heat "
        f"needs about {duration(leaves)} to leave this vial"
    )
    if rise > HOT_K:
        change = (
            "a resin with fewer double bonds (a diluent or a filler), a smaller part, or light in doses with pauses."
        )
        return Reason("heat", "marginal", f"{text}.", rise, HOT_K, "K", change)
    return Reason("heat", "will work", f"{text}.", rise, HOT_K, "K")
