"""Ranges of a job's numbers, by the unit in which their keys end. No other module has any.

These do not judge prints: a vial of a metre passes here, and the check says what is wrong with it. They keep squares,
cubes and ratios of a job's numbers within float64, and counts within what a grid can have; real values lie
far inside. What a key needs beyond that (a bore inside a tube, a share up to 1) its own table checks.
"""

from typing import Any

from lightlathe.errors import JobError, shown

# minimum and maximum of a number that is not 0; a list (a place, a shift) may hold smaller ones
BY_UNIT = {
    "_mm": (1e-6, 1e3, "1 nm to 1 m"),  # from below any light's wavelength to above any vial
    "_nm": (1e-6, 1e6, "1e-6 to 1e6 nm"),
    "_s": (1e-6, 1e8, "a microsecond to three years"),
    "_per_turn": (1e-6, 1e8, "a microsecond to three years"),
    "_deg": (1e-9, 36_000.0, "100 turns at most"),
    "_hz": (1e-6, 1e6, "1e-6 to 1e6 Hz"),  # the fastest micromirrors show some 30 kHz
    "_percent": (1e-9, 1e4, "10000 percent at most"),
    "_mw_cm2": (1e-6, 1e9, "1e-6 to 1e9 mW/cm2"),  # sunlight is about 100; a watt on a spot of 10 um 1e9
    "_mj_cm3": (1e-6, 1e9, "1e-6 to 1e9 mJ/cm3"),  # 1e7 would already boil any resin
    "_per_mm": (1e-6, 1e6, "1e-6 to 1e6 per mm"),
    "_mol_m3": (1e-9, 1e6, "1e-9 to 1e6 mol/m3"),  # water holds 55,000 of itself
    "_kg_m3": (1e-6, 1e5, "1e-6 to 1e5 kg/m3"),
    "_pa_s": (1e-6, 1e9, "1e-6 to 1e9 Pa s"),  # air has 2e-5, pitch 1e8
    "_m3_mol_s": (1e-9, 1e12, "1e-9 to 1e12 m3/(mol s)"),
    "_gb": (1e-3, 1e6, "1 MB to 1 PB"),
    "_per_photon": (1e-6, 1e3, "1e-6 to 1000"),
}
BY_NAME = {
    "scale": (1e-6, 1e6, "1e-6 to 1e6"),  # a part in metres read as micrometres, and the other way round
    "columns": (1, 100_000, "100000 at most"),  # the largest projectors have about 8000
    "rows": (1, 100_000, "100000 at most"),
    "angles": (1, 1_000_000, "a million at most"),
    "margin_voxels": (1, 10_000, "10000 at most"),
    "level_limit": (1e-3, 1e6, "0.001 to 1e6"),
    "seed": (0, 2**63, "64 bits"),
}
COUNTS = ("columns", "rows", "angles", "margin_voxels")
OTHERS = (1e-12, 1e12, "1e-12 to 1e12")  # of whatever has no unit: exponents, shares, steps
_LONGEST_FIRST = sorted(BY_UNIT, key=len, reverse=True)  # _per_mm before _mm


def bounds_of(name: str) -> tuple[float, float, str]:
    """(minimum, maximum, both in words) of the numbers that a key may hold, 0 aside."""
    if name in BY_NAME:
        return BY_NAME[name]
    return next((BY_UNIT[unit] for unit in _LONGEST_FIRST if name.endswith(unit)), OTHERS)


def require_possible(name: str, value: Any) -> None:
    """JobError for a number, or one in a list, beyond what its key can hold; anything else passes."""
    for number in value if isinstance(value, tuple) else (value,):
        if isinstance(number, bool) or not isinstance(number, int | float):
            continue
        # the weights of a penalty have the names of counts, and are no whole numbers
        low, high, words = OTHERS if name in COUNTS and isinstance(number, float) else bounds_of(name)
        small = 0 < abs(number) < low and not isinstance(value, tuple)
        if small or abs(number) > high:
            raise JobError(f"{name} is {shown(number)}; expected {words}. Is it in the unit that the key names?")


def positive(owner: str, **values: float | None) -> None:
    """JobError unless every value given is above 0."""
    for name, value in values.items():
        if value is not None and not value > 0:
            raise JobError(f"{name} is {value}; expected a number above 0 in [{owner}].")
