"""Made-up tables of measurements: sound ones, and ones whose numbers are off by slips of unit, column or point."""

import math
import random

HEADS = {  # series: heads, and a row of plausible numbers
    "transmission": (("path [mm]", "transmission [%]"), lambda x: (x, 100 * math.exp(-0.2 * x))),
    "absorbance": (("path [mm]", "absorbance [1]"), lambda x: (x, 0.087 * x)),
    "milli absorbance": (("path [mm]", "absorbance [mAU]"), lambda x: (x, 87 * x)),
    "mixture": (("concentration [mmol/L]", "molar_absorption_base10 [L/(mol cm)]"), lambda x: (x, 377 * x)),
    "films": (("exposure [mJ/cm2]", "depth [um]"), lambda x: (10 * x, 150 * math.log(2 * x))),
    "lit films": (
        ("irradiance [mW/cm2]", "time [s]", "depth [um]"),
        lambda x: (10, x, 150 * math.log(2 * x)),
    ),
    "vial": (("dose [mJ/cm3]", "solid [1]"), lambda x: (10 * x, 1 if x > 4 else 0)),
    "lit vial": (("exposure [mJ/cm2]", "solid [1]"), lambda x: (10 * x, 1 if x > 4 else 0)),
    "onset": (("irradiance [mW/cm2]", "onset [s]"), lambda x: (x, 300 / x)),
}
ODD = (
    "0", "-1", "nan", "inf", "1e400", "1e-400", "5e-324", "1e308", "", "yes", "1_0", "1,5", "0x10", "\u0663", "1 2",
    '"', "\0",
)  # fmt: skip
UNITS = ("[1]", "[%]", "[um]", "[mm]", "[cm]", "[s]", "[mJ/cm2]", "[J/cm2]", "(mJ/cm3)", "", "[mAU]", "[]", "[[1]]")


def sound(kind: str, rows: int = 8) -> str:
    heads, row = HEADS[kind]
    body = "".join(",".join(f"{v:.6g}" for v in row(x)) + "\n" for x in range(1, rows + 1))
    return ",".join(heads) + "\n" + body


def off(kind: str, rng: random.Random) -> str:
    """A table of the kind with chance in it: rows, scatter, powers of ten, odd cells, heads of other units."""
    heads, row = HEADS[kind]
    scatter = rng.choice((0, 1e-12, 0.01, 0.3, 3))
    wild = rng.random() < 0.5
    powers = [rng.choice((1, 1, 1e-3, 1e3, 1e-12, 1e12, 1e150, 1e-150)) if wild else 1 for _ in heads]
    spread = rng.choice((0, 1e-9, 1, 1, 1, 30))
    lines = []
    for n in range(rng.choice((0, 1, 2, 3, 4, 8, 8, 8, 30))):
        values = row(1 + spread * n)
        cells = [f"{v * p * (1 + scatter * rng.gauss(0, 1)):.6g}" for v, p in zip(values, powers, strict=True)]
        if "solid" in heads[-1]:
            cells[-1] = rng.choice((cells[-1], cells[-1], "0", "1", "0.5", "yes", "partly"))
        if wild and rng.random() < 0.1:
            cells[rng.randrange(len(cells))] = rng.choice(ODD)
        lines.append(",".join(cells))
    names = list(heads)
    if wild and rng.random() < 0.2:
        k = rng.randrange(len(names))
        names[k] = names[k].split()[0] + " " + rng.choice(UNITS)
    if rng.random() < 0.1:
        rng.shuffle(names)
    return "\n".join([",".join(names), *lines]) + "\n"
