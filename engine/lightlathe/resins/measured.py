"""A resin from tables of measurements: fits, what they mean, and a [resin] table ready to paste."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightlathe.errors import MeasurementError
from lightlathe.resins import fits
from lightlathe.resins.fits import LN10, Fit, Value, alike
from lightlathe.resins.measurements import Table, read_table
from lightlathe.resins.unlikely import SURE, unlikely
from lightlathe.support.plain import finite
from lightlathe.support.watching import doing
from lightlathe.support.words import amount

WARNING = (
    "a resin's numbers hold for one batch, wavelength, temperature and age; published values for one resin scatter by "
    "up to 70 times"
)
FILM_SPREAD = 0.1  # of the onset dose, either side, where nothing but films was measured (common practice, no source)
UNSTATED = 0.1  # relative uncertainty assumed, for comparisons, of a value without an interval (no source)
FAR = 2.0  # times as much contradicts, however wide the intervals of a few points are (no source)
THICKEST_FILM_MM = 50.0  # no film from one side is (common practice, no source); what is, was written in um
FLOOR_PERCENT = 1.0  # no laboratory repeats a dose or an absorption more closely (common practice, no source)


@dataclass(frozen=True)
class Measured:
    """What one or several tables say about one resin.

    tables, fits    in the order given
    values          the number used for each name: the first table that gives it decides
    sources         table that decided, by name of the value
    unused          an absorption (1/mm) that was given beside tables that hold one
    """

    tables: tuple[Table, ...]
    fits: tuple[Fit, ...]
    values: dict[str, Value]
    sources: dict[str, str]
    unused: float | None = None

    def outliers(self) -> list[str]:
        """Each outlier by file and line, with its remark; none is left out of a fit."""
        return [
            f"{table.name} line {table.lines[i]}" + (f" ({table.remarks[i]})" if any(table.remarks[i : i + 1]) else "")
            for table, fit in zip(self.tables, self.fits, strict=True)
            for i in fit.outliers
        ]

    def notes(self) -> list[str]:
        said = [
            f"{table.name}: {note}" for table, fit in zip(self.tables, self.fits, strict=True) for note in fit.notes
        ]
        said += [f"{t.name}: its remarks are kept and take no part in the fit" for t in self.tables if t.remarks]
        said += [f"{place} lies far from the rest; it was kept. Check it." for place in self.outliers()]
        for name, value in self.values.items():
            for table, fit in zip(self.tables, self.fits, strict=True):
                other = fit.values.get(name)
                if other is not None and table.name != self.sources[name] and _apart(value, other):
                    said.append(
                        f"{name}: {self.sources[name]} says {value.text()}, {table.name} says {other.text()}; "
                        f"they do not agree{_factor(value, other)}. The first is taken; measure again, or leave one out"
                    )
        if self.unused is not None:
            value, source = self.values["absorption_per_mm"], self.sources["absorption_per_mm"]
            given = Value(self.unused, math.nan, math.nan, "1/mm")
            agree = f"; they do not agree{_factor(value, given)}" if _apart(value, given) else ""
            said.append(
                f"absorption_per_mm: {given.text()} was given and {source} says {value.text()}{agree}. The table's is "
                "taken throughout, the given one only where no table holds any"
            )
        return [*said, WARNING]

    def toml(self) -> str:
        """A [resin] table for a job file; what was not measured stands there as a comment."""
        lines = ["[resin]"]
        lines.append(self._line("absorption_per_mm", "transmission, cure depth or mixture"))
        doses = [self.values.get(name) for name in ("liquid_below_mj_cm3", "solid_above_mj_cm3")]
        onset = self.values.get("onset_mj_cm3")
        if doses[0] is not None and doses[1] is not None:
            lines += [self._line("liquid_below_mj_cm3", ""), self._line("solid_above_mj_cm3", "")]
            lines += _known("doses", [d for d in doses if d is not None])
        elif onset is not None and not math.isnan(onset.low):
            low = min(onset.low, onset.value * (1 - FILM_SPREAD))
            high = max(onset.high, onset.value * (1 + FILM_SPREAD))
            lines += [
                f"# onset in {self.sources['onset_mj_cm3']}: {onset.text()}. Films do not show how far",
                f"# liquid and solid lie apart: {100 * FILM_SPREAD:g} % either side taken; a series in the vial tells",
                f"liquid_below_mj_cm3 = {amount(low, 4)}",
                f"solid_above_mj_cm3 = {amount(high, 4)}",
            ]
            lines += _known("doses", [onset])
        else:
            lines += ["# liquid_below_mj_cm3 =    not measured: a dose series in the vial gives it"]
            lines += ["# solid_above_mj_cm3 =     not measured: a dose series in the vial gives it"]
        induction = self.values.get("induction_mj_cm3")
        if induction is not None:
            first = f"{induction.text()} ({self.sources['induction_mj_cm3']})"
            lines.append(f"# the first resin turned solid at {first}: liquid_below_mj_cm3 is no more than that")
        absorption = self.values.get("absorption_per_mm")
        if absorption is not None:
            lines[2:2] = _known("absorption", [absorption])
        return "\n".join(lines) + "\n"

    def _line(self, name: str, wanted: str) -> str:
        value = self.values.get(name)
        if value is None:
            return f"# {name} =    not measured: {wanted} gives it"
        gaps = any("no statistics" in note for fit in self.fits if name in fit.values for note in fit.notes)
        kind = "gaps of the series" if gaps else "95 %"
        if math.isnan(value.low):
            return f"{name} = {amount(value.value, 4)}   # from {self.sources[name]}"
        said, low, high = alike(value.value, value.low, value.high)
        return f"{name} = {said}   # {kind}: {low} to {high}, from {self.sources[name]}"

    def text(self) -> str:
        """Every fitted number, the notes, and the table to paste."""
        lines = []
        for table, fit in zip(self.tables, self.fits, strict=True):
            lines.append(f"{table.name}: {table.series}, {len(table.lines)} rows")
            lines += [f"  {name:24}{value.text()}" for name, value in fit.values.items()]
        joined = [name for name in self.values if not any(name in fit.values for fit in self.fits)]
        lines += [f"joined: {name:18}{self.values[name].text()}" for name in joined]
        lines += [f"note: {note}" for note in self.notes()]
        return "\n".join(lines) + "\n\n" + self.toml()

    def as_json(self) -> dict[str, Any]:
        """Plain values; None where a number is undefined."""
        return {
            "values": {name: finite(asdict(value)) for name, value in self.values.items()},
            "sources": self.sources,
            "outliers": self.outliers(),
            "notes": self.notes(),
            "toml": self.toml(),
        }


@doing("fitting")
def measure(paths: Sequence[str | Path], *, absorption_per_mm: float | None = None, sure: bool = False) -> Measured:
    """Fit every table and join what they say.

    absorption_per_mm    base e; needed where doses are given as exposures and no table gives the absorption. Where one
                         does, that is taken, and a note says so
    sure                 take values as they stand that are hardly meant, such as an onset of 0.02 mJ/cm2 (unlikely.py)
    Raises MeasurementError for tables that cannot be read or do not determine what they should.
    """
    if absorption_per_mm is not None and not 1e-6 <= absorption_per_mm <= 1e6:  # glass fibre has 1e-6, metals 1e5
        raise MeasurementError(
            f"the absorption is {absorption_per_mm} 1/mm; expected a number above 0, from 1e-6 to 1e6, to base e."
        )
    if not paths:
        raise MeasurementError("no table of measurements was given; expected one CSV file or more.")
    tables = tuple(read_table(path) for path in paths)
    first = {n: _fit(table, None) for n, table in enumerate(tables) if table.series != "vial"}
    known = [fit.values["absorption_per_mm"] for fit in first.values() if "absorption_per_mm" in fit.values]
    unused = absorption_per_mm if known else None
    absorption_per_mm = known[0].value if known else absorption_per_mm  # of doses and of [resin]: one and the same
    found = tuple(first[n] if n in first else _fit(table, absorption_per_mm) for n, table in enumerate(tables))
    if not sure and (asked := unlikely(tables, found)):
        raise MeasurementError("\n  ".join([*asked, SURE]))
    values: dict[str, Value] = {}
    sources: dict[str, str] = {}
    for table, fit in zip(tables, found, strict=True):
        for name, value in fit.values.items():
            if name not in values:
                values[name], sources[name] = value, table.name
    induction = values.get("induction_mj_cm2")
    if induction is not None and absorption_per_mm is not None:
        per_cm = 10 * absorption_per_mm
        value, low, high = (per_cm * number for number in (induction.value, induction.low, induction.high))
        values["induction_mj_cm3"] = Value(value, low, high, "mJ/cm3")
        sources["induction_mj_cm3"] = sources["induction_mj_cm2"]
    if absorption_per_mm is not None and "absorption_per_mm" not in values:
        values["absorption_per_mm"] = Value(absorption_per_mm, math.nan, math.nan, "1/mm")
        sources["absorption_per_mm"] = "what was given"
    return Measured(tables, found, values, sources, unused)


def _fit(table: Table, absorption_per_mm: float | None) -> Fit:
    """The fit of a table; errors carry its name."""
    try:
        return _fit_of(table, absorption_per_mm)
    except MeasurementError as problem:
        raise MeasurementError(f"{table.name}: {problem}") from None


def _fit_of(table: Table, absorption_per_mm: float | None) -> Fit:
    c = table.columns
    if table.series == "transmission":
        passed = c["transmission"] if "transmission" in c else np.exp(-LN10 * c["absorbance"])
        return fits.absorption(c["path"], passed)
    if table.series == "mixture":
        base_e = c.get("molar_absorption_base_e")
        molar = c["molar_absorption_base10"] if base_e is None else base_e / LN10
        return fits.mixture(c["concentration"], molar)
    exposure = table.exposure
    if table.series == "cure depth":
        assert exposure is not None
        if c["depth"].max() > THICKEST_FILM_MM:
            raise MeasurementError(f"a cured film of {c['depth'].max():g} mm; is the unit of the column 'depth' um?")
        return fits.working_curve(exposure, c["depth"])
    if table.series == "onset":
        return fits.onset(c["irradiance"], c["onset"])
    if exposure is None:
        return fits.thresholds(c["dose"], c["solid"])
    if absorption_per_mm is None:
        raise MeasurementError(
            "doses are given as exposures (mJ/cm2), and a dose (mJ/cm3) takes the absorption too. Give a table that "
            "holds it (transmission, cure depth, mixture) or the absorption itself."
        )
    return fits.thresholds(exposure * 10 * absorption_per_mm, c["solid"])


def _apart(a: Value, b: Value) -> bool:
    """Whether two values contradict each other: their intervals do not meet, or they are far apart all the same."""
    (a_low, a_high), (b_low, b_high) = (
        (v.value * (1 - UNSTATED), v.value * (1 + UNSTATED)) if math.isnan(v.low) else (v.low, v.high) for v in (a, b)
    )
    return a_high < b_low or b_high < a_low or not 1 / FAR < a.value / b.value < FAR


def _factor(a: Value, b: Value) -> str:
    ratio = max(a.value / b.value, b.value / a.value)
    return f", by a factor of {amount(ratio)}" if ratio >= FAR else ""


def _known(name: str, values: list[Value]) -> list[str]:
    percent = max(v.known_to_percent for v in values)
    if math.isnan(percent):
        return []
    if percent >= 100:
        return [f"# {name} known to no better than {min(percent, 1e4):.0f} %: measure more"]
    if percent < FLOOR_PERCENT:
        return [f"{name}_known_to_percent = {FLOOR_PERCENT:g}   # the fit says {amount(percent)}; no meter is as good"]
    return [f"{name}_known_to_percent = {amount(percent)}"]
