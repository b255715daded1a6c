"""Tables of measurements: CSV files whose column heads carry their units."""

import math
import re
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from lightlathe.errors import MeasurementError, brief, shown
from lightlathe.support.csv_rows import cells_of, lines_of, read_csv


class Column(NamedTuple):
    """A column of numbers, but for its name.

    units     accepted unit -> factor to the program's own, the first one
    bounds    what a number can be at all, in the program's own unit, with a wide margin (common practice, no source):
              beyond it stand slips of the unit, of the column or of the decimal point, and numbers that no fit survives
    """

    units: dict[str, float]
    meaning: str
    bounds: tuple[float, float]


LENGTH = {"mm": 1.0, "um": 1e-3, "\u03bcm": 1e-3, "cm": 10.0}
CONCENTRATION = {"mol/m3": 1.0, "mmol/L": 1.0, "mol/L": 1e3}
MOLAR = {"L/(mol cm)": 1.0, "m2/mol": 10.0}
TIME = {"s": 1.0, "min": 60.0}
EXPOSURE = {"mJ/cm2": 1.0, "J/cm2": 1e3, "J/m2": 0.1}
DOSE = {"mJ/cm3": 1.0, "J/cm3": 1e3, "J/m3": 1e-3}
IRRADIANCE = {"mW/cm2": 1.0, "W/cm2": 1e3, "W/m2": 0.1}
COLUMNS = {
    "path": Column(LENGTH, "length of the cuvette", (1e-4, 1e4)),  # 0.1 um to 10 m
    # a film too thick is asked about where it is fitted
    "depth": Column(LENGTH, "thickness of cured resin", (0.0, 1e6)),
    # ten decades: more than any spectrometer tells from darkness
    "transmission": Column({"1": 1.0, "%": 0.01}, "share of the light that passes", (1e-10, 1.0)),
    "absorbance": Column({"1": 1.0, "AU": 1.0, "mAU": 1e-3}, "base 10, as a spectrometer shows it", (0.0, 10.0)),
    # pure water is 55,500 mol/m3
    "concentration": Column(CONCENTRATION, "of one absorber, a row for each", (1e-9, 1e5)),
    "molar_absorption_base10": Column(MOLAR, "as handbooks list it", (1e-6, 1e8)),  # the strongest dyes have some 3e5
    "molar_absorption_base_e": Column(MOLAR, "2.303 times the base-10 value", (1e-6, 1e8)),
    "exposure": Column(EXPOSURE, "light energy per area at the place looked at", (1e-6, 1e9)),
    "dose": Column(DOSE, "absorbed light energy per volume", (1e-6, 1e9)),
    "irradiance": Column(IRRADIANCE, "at the place looked at", (1e-6, 1e9)),
    "time": Column(TIME, "that the light was on", (1e-6, 1e7)),  # a microsecond to four months
    "onset": Column(TIME, "time until the first resin turned solid", (1e-6, 1e7)),
    "solid": Column({"1": 1.0}, "1 or yes, 0 or no, 0.5 or partly", (0.0, 1.0)),
}
REMARKS = ("remark", "remarks", "note", "notes", "comment", "comments")  # heads of a column for words
LONGEST_FILE = 10_000_000  # bytes: a hundred thousand rows and more
WORDS = {"yes": 1.0, "no": 0.0, "partly": 0.5}
SERIES: dict[str, tuple[tuple[str, ...], ...]] = {  # series: the sets of columns that make it
    "transmission": (("path", "transmission"), ("path", "absorbance")),
    "mixture": (("concentration", "molar_absorption_base10"), ("concentration", "molar_absorption_base_e")),
    "cure depth": (("exposure", "depth"), ("irradiance", "time", "depth")),
    "vial": (("dose", "solid"), ("exposure", "solid"), ("irradiance", "time", "solid")),
    "onset": (("irradiance", "onset"),),
}


@dataclass(frozen=True)
class Table:
    """One series of measurements in the program's own units (the first of each line of COLUMNS).

    series    a key of SERIES
    columns   column name -> values
    lines     line of the file that each row came from
    units     column name -> unit in which the file gives it
    remarks   what a column of remarks says, row by row; empty where there is none
    """

    name: str
    series: str
    columns: dict[str, np.ndarray]
    lines: tuple[int, ...]
    units: dict[str, str] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    @property
    def exposure(self) -> np.ndarray | None:
        """mJ/cm2, given as such or as irradiance and time; None if the table has neither."""
        if "exposure" in self.columns:
            return self.columns["exposure"]
        if "irradiance" in self.columns and "time" in self.columns:
            return self.columns["irradiance"] * self.columns["time"]
        return None


def read_table(path: str | Path) -> Table:
    """A table from a CSV file: one head line, a number in every cell, '#' before comments.

    Heads read `name [unit]`, as in `exposure [mJ/cm2], depth [um]`; the columns say what kind of series it is.
    One column headed `remark` (or note, comment) may hold words; they are kept and take no part.
    Cells are parted by commas, semicolons or tabs, whichever the head uses; numbers have a decimal point.
    Raises MeasurementError with the line, what came and what is accepted.
    """
    path = Path(path)
    text = read_csv(path, LONGEST_FILE, MeasurementError)
    lines = lines_of(unicodedata.normalize("NFKC", text))  # cm², μm and µm are one each
    if not lines:
        raise MeasurementError(f"{path}: is empty. {accepted()}")
    head = lines[0][1]
    parted = next((mark for mark in (";", "\t", ",") if mark in head), None)
    if parted is None:
        raise MeasurementError(f"{path}: the head {shown(head.strip())} has one column only. {accepted()}")
    columns = [_column(path.name, cell) for cell in cells_of(path.name, lines[0][0], head, parted, MeasurementError)]
    at = [n for n, (name, _) in enumerate(columns) if name in REMARKS]
    if len(at) > 1:
        raise MeasurementError(f"{path.name}: {len(at)} columns of remarks in the head; expected one at most.")
    names = [name for name, _ in columns if name not in REMARKS]
    if len(set(names)) < len(names):
        raise MeasurementError(f"{path.name}: a column appears twice in {shown(head.strip())}; expected each once.")
    series = next((s for s, sets in SERIES.items() if any(set(names) == set(needed) for needed in sets)), None)
    if series is None:
        raise MeasurementError(f"{path.name}: columns {', '.join(names)} do not make a known series. {accepted()}")
    rows, remarks = [], []
    for number, line in lines[1:]:
        cells = cells_of(path.name, number, line, parted, MeasurementError)
        if len(cells) != len(columns):
            raise MeasurementError(
                f"{path.name} line {number}: {len(cells)} cells where the head has {len(columns)} columns. "
                "Is a decimal comma among them? Numbers need a decimal point."
            )
        remarks += [_words(cells[n]) for n in at]
        rows.append([_number(path.name, number, name, COLUMNS[name].units[unit], cell) for (name, unit), cell in
                     zip(columns, cells, strict=True) if name not in REMARKS])  # fmt: skip
    if not rows:
        raise MeasurementError(f"{path.name}: a head and no rows; expected at least one measurement.")
    values = np.array(rows, dtype=float)
    places, units = tuple(n for n, _ in lines[1:]), {name: unit for name, unit in columns if name not in REMARKS}
    return Table(path.name, series, dict(zip(names, values.T, strict=True)), places, units, tuple(remarks))


def _words(remark: str) -> str:
    """A remark of limited length, control characters escaped."""
    return brief(remark) if remark.isprintable() else shown(remark)


def _column(file: str, head: str) -> tuple[str, str]:
    """Name and unit of a head like 'depth [um]'; a column of remarks has none."""
    match = re.fullmatch(r"\s*(\w+)\s*(?:[\[(](.*)[\])])?\s*", head)
    name = match[1].lower() if match else head.strip()
    if name in REMARKS:
        return name, ""
    if match is None or name not in COLUMNS:
        raise MeasurementError(f"{file}: unknown column {shown(head.strip())}. {accepted()}")
    unit = None if match[2] is None else match[2].strip()
    if unit is None or unit not in COLUMNS[name].units:
        came = "has no unit" if unit is None else f"has the unit {shown(unit)}"
        raise MeasurementError(
            f"{file}: column '{name}' {came}; accepted are {', '.join(f'{name} [{u}]' for u in COLUMNS[name].units)}."
        )
    return name, unit


def _number(file: str, line: int, name: str, factor: float, cell: str) -> float:
    said, came = cell.strip().lower(), shown(cell.strip())
    if name == "solid" and said in WORDS:
        return WORDS[said]
    try:
        value = float("no number" if "_" in said else said)  # Python would take 1_0 for 10
    except ValueError:
        hint = " Write decimals with a point." if "," in said else ""
        raise MeasurementError(f"{file} line {line}: {name} is {came}; expected a number.{hint}") from None
    if name == "solid" and value not in (0.0, 0.5, 1.0):
        raise MeasurementError(f"{file} line {line}: solid is {came}; expected 1, 0 or 0.5 (yes, no, partly).")
    value *= factor
    positive = name not in ("solid", "depth", "absorbance")
    if not math.isfinite(value) or value < 0 or (positive and value == 0):
        raise MeasurementError(f"{file} line {line}: {name} is {came}; expected a number above 0.")
    if name == "transmission" and value > 1:
        asked = "Is the unit %?" if factor == 1 else "Was it measured against the same cuvette without resin?"
        most = "1" if factor == 1 else "100 %"
        raise MeasurementError(f"{file} line {line}: transmission is {came}, above {most}. {asked}")
    low, high = COLUMNS[name].bounds
    if not (low <= value <= high or value == 0):
        hint = " Is its unit mAU?" if name == "absorbance" else ""
        own = next(iter(COLUMNS[name].units))
        raise MeasurementError(
            f"{file} line {line}: {name} is {came}, which is {value:.3g} [{own}]; expected {low:g} to "
            f"{high:g}. Are unit and column right?{hint}"
        )
    return value


def accepted() -> str:
    """What a table may hold, as a text of several lines."""
    kinds = [f"  {series}: {' or '.join(' + '.join(s) for s in sets)}" for series, sets in SERIES.items()]
    units = [f"  {name} [{'] ['.join(column.units)}]: {column.meaning}" for name, column in COLUMNS.items()]
    words = f"  {REMARKS[0]}: a column of words, kept and not used"
    return "\n".join(["Series and their columns:", *kinds, "Columns and their units:", *units, words])
