"""Implausible measurements, and the mistake that probably caused them. Also used for the doses of jobs."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from lightlathe.resins.fits import Fit
from lightlathe.resins.measurements import Table

# Thresholds are tens to hundreds of mJ/cm3 (common practice, no source). 0.5 mJ/cm3 at 405 nm are 1.7e-3 mol/m3 of
# photons, a 350th of the oxygen that has to go first (0.59 mol/m3 at least; J. Polym. Sci. A 42 (2004) 1285).
# 20 J/cm3 would warm the resin by 10 K without any cure (1.9 J/cm3 K).
DOSES_MJ_CM3 = (0.5, 2e4)
# Onset exposures of films are 1 to some 100 mJ/cm2, 24 laboratories differ by up to 70 times for one resin
# (PMC10986335), and a resin for a vial takes up a twentieth of the light of a layer printer's.
ONSETS_MJ_CM2 = (0.3, 1e4)
IRRADIANCES_MW_CM2 = (0.0, 1e4)  # micromirrors bear some 10 W/cm2 of violet light (data sheets, from memory)
SURE = "If the table is right as it is, `lightlathe resin --sure` takes it."


def unlikely(tables: Sequence[Table], fits: Sequence[Fit]) -> list[str]:
    """Questions about tables and their fits, each with the unit or the value that was probably meant."""
    said = [
        f"{a.name} and {b.name} hold the same {a.series} measurements; expected each once. Was another file meant?"
        for a, b in combinations(tables, 2)
        if _same(a, b)
    ]
    for table, fit in zip(tables, fits, strict=True):
        said += [f"{table.name}: {text}" for text in (*_columns(table), *_values(table, fit))]
    return said


def _same(a: Table, b: Table) -> bool:
    return a.columns.keys() == b.columns.keys() and all(np.array_equal(a.columns[n], b.columns[n]) for n in a.columns)


def _columns(table: Table) -> list[str]:
    """Implausible numbers as they are written."""
    said = []
    if table.units.get("transmission") == "%" and table.columns["transmission"].max() <= 0.01:
        most = 100 * table.columns["transmission"].max()
        said.append(
            f"transmission [%] is {most:g} at most, so no sample passes more than a hundredth of the light. "
            "Are these fractions? Then the head is transmission [1]."
        )
    if "irradiance" in table.columns and table.columns["irradiance"].max() > IRRADIANCES_MW_CM2[1]:
        most = table.columns["irradiance"].max()
        said.append(
            f"irradiance reaches {most:g} mW/cm2, more than a projector bears. Is it in uW/cm2? Then {most / 1000:g} "
            "mW/cm2 is meant."
        )
    return said


def _values(table: Table, fit: Fit) -> list[str]:
    """Implausible results of the fit."""
    said = []
    for name, (low, high), unit in (
        ("onset_mj_cm2", ONSETS_MJ_CM2, "mJ/cm2"),
        ("solid_above_mj_cm3", DOSES_MJ_CM3, "mJ/cm3"),
        ("liquid_below_mj_cm3", DOSES_MJ_CM3, "mJ/cm3"),
    ):
        if name not in fit.values or low <= fit.values[name].value <= high:
            continue
        value = fit.values[name].value
        meant = value * 1000 if value < low else value / 1000
        said.append(
            f"{name} comes to {value:.3g} {unit}; expected {low:g} to {high:g}. {_slip(table, value < low)} Then "
            f"{meant:.3g} {unit} is meant."
        )
        break  # the two doses of one series ask the same question
    return said


def _slip(table: Table, too_small: bool) -> str:
    """The unit that was probably meant, for the column from which doses or exposures come."""
    column = next((name for name in ("exposure", "dose", "irradiance") if name in table.units), "exposure")
    written = table.units.get(column, "")
    if too_small and written.startswith("m"):  # J/cm2 under mJ/cm2
        return f"Is {column} in {written.removeprefix('m')}? The head says [{written}]."
    if not too_small and not written.startswith("m"):
        return f"Is {column} in m{written}? The head says [{written}]."
    return f"Is {column} in another unit than [{written}]?"
