"""Suggestions for unknown keys: a similar spelling, or the same quantity in another unit."""

import difflib
from collections.abc import Iterable

from lightlathe.errors import brief

# ending that came, ending of ours, what to do with the number; those that end like another stand before it
UNITS = (
    ("_per_cm", "_per_mm", "divide the number by 10"),
    ("_per_m", "_per_mm", "divide the number by 1000"),
    ("_per_um", "_per_mm", "multiply the number by 1000"),
    ("_w_m2", "_mw_cm2", "divide the number by 10"),
    ("_w_cm2", "_mw_cm2", "multiply the number by 1000"),
    ("_uw_cm2", "_mw_cm2", "divide the number by 1000"),
    ("_mw_mm2", "_mw_cm2", "multiply the number by 100"),
    ("_mj_cm2", "_mj_cm3", "an exposure (mJ/cm2) times the absorption in 1/cm is a dose (mJ/cm3)"),
    ("_j_cm3", "_mj_cm3", "multiply the number by 1000"),
    ("_j_m3", "_mj_cm3", "divide the number by 1000"),
    ("_mj_mm3", "_mj_cm3", "multiply the number by 1000"),
    ("_kj_m3", "_mj_cm3", "the number stays"),
    ("_um", "_mm", "divide the number by 1000"),
    ("_cm", "_mm", "multiply the number by 10"),
    ("_m", "_mm", "multiply the number by 1000"),
    ("_inch", "_mm", "multiply the number by 25.4"),
    ("_um", "_nm", "multiply the number by 1000"),
    ("_ms", "_s", "divide the number by 1000"),
    ("_min", "_s", "multiply the number by 60"),
    ("_rad", "_deg", "multiply the number by 57.296"),
    ("_mpa_s", "_pa_s", "divide the number by 1000"),
    ("_g_cm3", "_kg_m3", "multiply the number by 1000"),
    ("_mol_l", "_mol_m3", "multiply the number by 1000"),
)
WIDTHS = (("radius", "diameter", "twice the number"), ("diameter", "radius", "half the number"))
OTHERS = {  # keys that have no unit in common with ours
    "penetration_depth_mm": ("absorption_per_mm", "1 / penetration depth in mm"),
    "turns_per_minute": ("seconds_per_turn", "60 / turns per minute"),
    "gamma": ("exponent", "the same number"),
    "f_number": ("numerical_aperture", "1 / (2 f-number), of the light on the vial's side"),
    "rpm": ("seconds_per_turn", "60 / turns per minute"),
    "deg_per_s": ("seconds_per_turn", "360 / degrees per second"),
}


def meant(came: str, known: Iterable[str]) -> str:
    """A hint for a message, with a space before it, or nothing."""
    names = list(known)
    key, words = _converted(came.lower(), names) or (None, "")
    if key is not None:
        return f" Did you mean '{key}'? Then: {words}."
    near = difflib.get_close_matches(brief(came), names, n=1, cutoff=0.5)
    return f" Did you mean '{near[0]}'?" if near else ""


def _converted(came: str, known: list[str]) -> tuple[str, str] | None:
    """(key, what to do with the number) where a key names a known quantity in another unit."""
    if came in known:
        return None  # apart from capitals
    if came in OTHERS and OTHERS[came][0] in known:
        return OTHERS[came]
    for theirs, ours, words in UNITS:
        stem = came.removesuffix(theirs)
        if stem != came and not stem.endswith("_per"):
            alike = [key.removesuffix(ours) for key in known if key.endswith(ours) and not key.endswith(f"_per{ours}")]
            if near := difflib.get_close_matches(brief(stem), alike, n=1, cutoff=0.8):
                return near[0] + ours, words
    for theirs, ours, words in WIDTHS:
        if theirs in came and not any(theirs in key for key in known):
            alike = [key for key in known if ours in key]
            if near := difflib.get_close_matches(brief(came.replace(theirs, ours)), alike, n=1, cutoff=0.75):
                return near[0], words
    return None
