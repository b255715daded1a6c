"""Units of mesh files, and which of them would give a plausible size."""

from lightlathe.support.words import amount

MM_PER_UNIT = {"um": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "foot": 304.8}
MIXED_UP = {  # units that files in a unit are often meant in: those of CAD programs, and a factor of 1000
    "um": ("mm",),
    "mm": ("um", "cm", "m", "inch"),
    "cm": ("mm", "m", "inch"),
    "m": ("mm", "cm", "inch"),
    "inch": ("mm", "cm", "m"),
    "foot": ("mm", "cm", "m", "inch"),
}
MICRO = ("\u00b5m", "\u03bcm")  # the micro sign and the Greek letter look alike
PRINTABLE_MM = (0.5, 200.0)  # longest side of things printed in a vial; common practice, no source


def plain_unit(unit: str) -> str:
    """A unit as MM_PER_UNIT has it: "um" for either way to write it with a mu."""
    return "um" if unit in MICRO else unit


def size_text(size_mm) -> str:
    """'10 x 6 x 4 mm' for three lengths."""
    return " x ".join(amount(float(s), 4) for s in size_mm) + " mm"


def printable_units(size_mm, unit: str) -> list[str]:
    """The units of MIXED_UP in which a size that was read in `unit` would be one that is printed in a vial."""
    smallest, largest, longest = *PRINTABLE_MM, float(max(size_mm))
    return [u for u in MIXED_UP[unit] if smallest <= longest / MM_PER_UNIT[unit] * MM_PER_UNIT[u] <= largest]


def unit_question(size_mm, unit: str, others: list[str]) -> str:
    """'Is the unit of the mesh mm (10.7 x 11.4 x 9.57 mm), not inch?'; empty for no other units."""
    sized = [f"{u} ({size_text([s / MM_PER_UNIT[unit] * MM_PER_UNIT[u] for s in size_mm])})" for u in others]
    return f"Is the unit of the mesh {' or '.join(sized)}, not {unit}?" if sized else ""


def unit_warning(name: str, size_mm, unit: str) -> str | None:
    """A sentence about a size no one prints in a vial and the units that would make sense of it; else None."""
    longest = float(max(size_mm))
    smallest, largest = PRINTABLE_MM
    if smallest <= longest <= largest:
        return None
    fitting = printable_units(size_mm, unit)
    hint = f" Is its unit {' or '.join(fitting)}?" if fitting else " No other usual unit makes it fit either."
    return f"{name} is {size_text(size_mm)}, read as {unit}; expected a part of {smallest:g} to {largest:g} mm.{hint}"
