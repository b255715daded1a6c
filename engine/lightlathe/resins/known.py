"""Published numbers of resins and initiators: to check a measurement for plausibility, never to print with."""

from dataclasses import asdict, dataclass
from typing import Any

WARNING = (
    "Published values for one resin scatter: among 24 laboratories the penetration depth by up to 7 times and the "
    "onset exposure by up to 70 times (NIST interlaboratory study, PMC10986335); five resins at 365 and 405 nm by up "
    "to 10 times (Bennett, Addit. Manuf. 18 (2017) 203). Measure your own batch: lightlathe resin DATA.csv"
)
GONG = "spectra behind Gong et al., RSC Adv. 5 (2015) 106621"


@dataclass(frozen=True)
class Known:
    """One published value. `quantity` is penetration depth (mm) or molar absorption, base 10 (L/(mol cm))."""

    what: str
    quantity: str
    value: str
    unit: str
    wavelength_nm: int
    source: str


def _depths(what: str, um: dict[int, str], note: str = "") -> tuple[Known, ...]:
    return tuple(Known(what, "penetration depth", v, "um", nm, GONG + note) for nm, v in um.items())


KNOWN: tuple[Known, ...] = (
    *_depths("PR48", {365: "35", 385: "44", 405: "111"}),
    *_depths("PlasClear", {365: "42", 385: "44", 405: "99"}),
    *_depths("FSL clear", {365: "69", 385: "80", 405: "204"}),
    *_depths("PEGDA + Irgacure 819, 1 wt%", {365: "256", 385: "287", 405: "430"}, "; weight share from memory"),
    *_depths("PR48 without its UV blocker", {365: "1450", 385: "1760", 405: "3900"}, "; within 30 %"),
    Known(
        "camphorquinone", "molar absorption", "46 +- 2", "L/(mol cm)", 469, "Chen et al., Dent. Mater. 23 (2007) 655"
    ),
    Known("Irgacure 819 in PEGDA", "molar absorption", "634", "L/(mol cm)", 365, f"{GONG}, if 1 wt% and 1.12 g/mL"),
    Known("Irgacure 819 in PEGDA", "molar absorption", "565", "L/(mol cm)", 385, f"{GONG}, if 1 wt% and 1.12 g/mL"),
    Known("Irgacure 819 in PEGDA", "molar absorption", "377", "L/(mol cm)", 405, f"{GONG}, if 1 wt% and 1.12 g/mL"),
    Known("Ru(bpy)3 2+", "molar absorption", "14600", "L/(mol cm)", 452, "encyclopaedia text"),
    Known("LAP", "molar absorption", "218", "L/(mol cm)", 365, "Fairbanks 2009, from memory"),
    Known("LAP", "molar absorption", "30 to 50", "L/(mol cm)", 405, "from memory"),
    Known("I2959", "molar absorption", "4", "L/(mol cm)", 365, "from memory"),
    Known("TPO", "molar absorption", "about 520", "L/(mol cm)", 381, "from memory"),
    Known("TPO", "molar absorption", "100 to 170", "L/(mol cm)", 405, "from memory"),
)


def known_text() -> str:
    """The table and its warning, for a terminal."""
    head = f"{'what':30}{'quantity':20}{'value':>12} {'unit':12}{'nm':>4}  source"
    rows = [f"{k.what:30}{k.quantity:20}{k.value:>12} {k.unit:12}{k.wavelength_nm:4}  {k.source}" for k in KNOWN]
    return "\n".join([head, *rows, "", WARNING])


def known_json() -> dict[str, Any]:
    """The same as plain values."""
    return {"known": [asdict(one) for one in KNOWN], "warning": WARNING}
