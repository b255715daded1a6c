"""A print that works, and the same with keys of its job, part or machine changed."""

import dataclasses

from lightlathe.feasibility import Case, Extent, verdict_on
from lightlathe.job.light import Light
from lightlathe.job.model import GridTable, Turn
from lightlathe.job.vial import Vial
from lightlathe.resins import Threshold

GOOD = Case(
    Vial(inner_diameter_mm=16.0, resin_height_mm=20.0),
    Threshold(absorption_per_mm=0.08, liquid_below_mj_cm3=34.0, solid_above_mj_cm3=38.0),
    Light(pixel_mm=0.1, columns=100, rows=100, irradiance_mw_cm2=20.0),
    Turn(angles=360, seconds_per_turn=12.0),
    GridTable(voxel_mm=0.1, finer=1),
    Extent(radius_mm=4.0, height_mm=8.0),
)


def changed(case: Case = GOOD, **keys) -> Case:
    """The case with each key changed in the table that has it; no two tables share one."""
    tables = {}
    for key, value in keys.items():
        (table,) = (
            f.name
            for f in dataclasses.fields(case)
            if dataclasses.is_dataclass(getattr(case, f.name))
            and key in {inner.name for inner in dataclasses.fields(getattr(case, f.name))}
        )
        tables.setdefault(table, {})[key] = value
    return case.having(**tables)


def verdict(**change):
    return verdict_on(changed(**change))


def only(found, topic):
    (reason,) = found.of(topic)
    return reason
