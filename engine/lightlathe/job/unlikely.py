"""Implausible values in a job: possible, but probably mistakes. Each is questioned, with the value probably meant.

A table confirms them with `sure = ["irradiance_mw_cm2"]`.
"""

import dataclasses
from collections.abc import Iterator
from typing import Any

from lightlathe.errors import JobError, brief, shown
from lightlathe.job.model import Job
from lightlathe.projector.responses import Power
from lightlathe.resins.unlikely import DOSES_MJ_CM3, IRRADIANCES_MW_CM2

SURE = "sure"  # the key by which a table confirms a value
TABLES = ("resin", "light", "design")  # that know this key: nothing is asked about others
# Displays have exponents of 1.8 to 2.6, a projector without picture corrections 1; 1 / 1.33 = 0.75 is the inverse of
# the gentlest gamma in use. A measured curve of that shape is a `table`.
LEAST_EXPONENT = 0.75
# No bench repeats a dose or an absorption to better than 1 % (common practice, no source), and half of what is
# below 0.5 as a share of 1 would be 50 %: no resin is that badly known and worth a job. 0 means known exactly.
LEAST_PERCENT = 0.5
# Below 0.1 mW/cm2 a resin that takes 36 mJ/cm3 and absorbs 0.1 per mm wants 6 minutes of white light on every voxel.
LEAST_IRRADIANCE_MW_CM2 = 0.1


def split_sure(tables: dict[str, Any], file: str) -> tuple[dict[str, Any], set[tuple[str, str]]]:
    """The tables of a job file without their key `sure`, and (table, key) of what they confirm. Raises JobError."""
    rest, sure = dict(tables), set()
    for name in TABLES:
        table = tables.get(name)
        if not isinstance(table, dict) or SURE not in table:
            continue
        keys = table[SURE]
        if not isinstance(keys, list) or not all(isinstance(key, str) and key in table for key in keys):
            raise JobError(
                f"{file} [{name}]: sure is {shown(keys)}; expected a list of keys of this table whose values are meant "
                'as they stand, such as ["irradiance_mw_cm2"].'
            )
        rest[name] = {key: value for key, value in table.items() if key != SURE}
        sure |= {(name, key) for key in keys}
    return rest, sure


def require_meant(job: Job, sure: set[tuple[str, str]], file: str) -> None:
    """JobError for the first implausible value that the job does not confirm."""
    for table, key, came, why, meant in unlikely(job):
        if (table, key) not in sure:
            raise JobError(
                f"{file} [{table}]: {key} is {came}: {why} Did you mean {meant}?\n"
                f'  If it is right as it stands, say so in [{table}]: sure = ["{key}"].'
            )


def unlikely(job: Job) -> Iterator[tuple[str, str, str, str, str]]:
    """(table, key, what came, why it is hardly meant, what probably was) of each such value."""
    light, resin, robust = job.light, job.resin, job.design.robust
    if isinstance(light.response, Power) and light.response.exponent < LEAST_EXPONENT:
        exponent = light.response.exponent
        yield (
            "light", "response", f"light = code ** {exponent:g}",
            "dark codes come out brighter than they are, which undoes a gamma instead of having one.",
            f"exponent = {1 / exponent:.3g}",
        )  # fmt: skip
    irradiance = light.irradiance_mw_cm2
    if irradiance > IRRADIANCES_MW_CM2[1]:
        yield (
            "light", "irradiance_mw_cm2", f"{irradiance:g}",
            f"more than a micromirror bears (about {IRRADIANCES_MW_CM2[1]:g} mW/cm2). Is it in uW/cm2?",
            f"irradiance_mw_cm2 = {irradiance / 1000:g}",
        )  # fmt: skip
    if irradiance < LEAST_IRRADIANCE_MW_CM2:
        yield (
            "light", "irradiance_mw_cm2", f"{irradiance:g}", "so little prints in hours. Is it in W/cm2?",
            f"irradiance_mw_cm2 = {irradiance * 1000:g}",
        )  # fmt: skip
    # what the keys say, not what they come to; a resin of the user's own is not run for this
    own = {f.name: getattr(resin, f.name) for f in dataclasses.fields(resin)} if dataclasses.is_dataclass(resin) else {}
    for key in ("solid_above_mj_cm3", "liquid_below_mj_cm3"):
        dose = own.get(key)
        if dose and not DOSES_MJ_CM3[0] <= dose <= DOSES_MJ_CM3[1]:
            small = dose < DOSES_MJ_CM3[0]
            yield (
                "resin", key, f"{dose:g}",
                f"expected {DOSES_MJ_CM3[0]:g} to {DOSES_MJ_CM3[1]:g} mJ/cm3. Is it in {'J/cm3' if small else 'J/m3'}?",
                f"{key} = {dose * 1000 if small else dose / 1000:g}",
            )  # fmt: skip
    for key in ("doses_known_to_percent", "absorption_known_to_percent"):
        percent = own.get(key)
        if percent is not None and 0 < percent < LEAST_PERCENT:
            yield (
                "resin", key, f"{percent:g}",
                "no bench knows it to better than about 1 %. Is it a fraction? 0 says that it is known exactly.",
                f"{key} = {100 * percent:g}",
            )  # fmt: skip
    for key in ("absorption_percent", "dose_percent") if robust is not None else ():
        changes = getattr(robust, key)
        if any(changes) and all(abs(change) < LEAST_PERCENT for change in changes):
            yield (
                "design", "robust", f"{key} = {shown(list(changes))}", "so little changes nothing. Are they fractions?",
                f"{key} = [{brief(', '.join(f'{100 * change:g}' for change in changes))}]",
            )  # fmt: skip
