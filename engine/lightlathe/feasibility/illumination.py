"""What uneven illumination, dead columns and dead rows leave of the light on the part."""

import math

from torch import Tensor

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.estimates import lit
from lightlathe.judge.verdict import Reason
from lightlathe.projector import FlatField, Linear
from lightlathe.support.words import amount, count

FAINT = 0.25  # of the irradiance at the brightest place: below, exposures grow fourfold there (no source)
LISTED = 6  # numbers of dead columns or rows that a line names


def on_part(case: Case) -> Tensor | None:
    """(column, row) relative irradiance of the pixels that light the part; None where the job says nothing of it."""
    light = case.light.relative_irradiance
    if light is None:
        return None
    return light[_columns(case), _rows(case)]


def mean_irradiance(case: Case) -> float:
    """Mean over the pixels that light the part, relative to the irradiance stated."""
    light = on_part(case)
    return 1.0 if light is None else float(light.mean())


def illumination(case: Case) -> Reason | None:
    """Least and mean relative irradiance on the part, and what is dead there; no question where the light is even."""
    light = on_part(case)
    if light is None:
        return None
    lights = light[light > 0]
    if not len(lights):
        text, change = "no pixel that could light the part carries light.", "a part in the lit part of the field."
        return Reason("illumination", "cannot work", text, 0.0, 0.0, "", change)
    least, (columns, rows) = float(lights.min()), _dead(case)
    said = [] if not isinstance(case.light.illumination, FlatField) else [_spread(case, case.light.illumination, light)]
    if columns:
        said.append(f"{count(len(columns), 'dead column')} among those that light the part ({_listed(columns)})")
    if rows:
        at = _heights(case, rows)
        said.append(f"{count(len(rows), 'dead row')} among those that light the part ({_listed(rows)}), at z = {at} mm")
    text = f"{'. '.join(said or ['dead columns and rows lie beside the part'])}."
    if rows and not case.pixels_are_finer:
        change = (
            "a part that ends above or below the dead row; or a projector turned on its side, where it is a dead "
            "column, which other directions make up for."
        )
        text = f"{text[:-1]}, where no light arrives."
        return Reason("illumination", "marginal", text, float(len(rows)), 0.0, "dead rows", change)
    if least < FAINT:
        change = "a part in the brighter middle of the field, or a picture whose edge lies outside the part."
        return Reason("illumination", "marginal", text, least, FAINT, "", change)
    return Reason("illumination", "will work", text, least, FAINT)


def _spread(case: Case, flat: FlatField, light: Tensor) -> str:
    """How uneven the light (column, row) on the part is, and what irradiance_mw_cm2 means with it."""
    (tall, wide), lights = flat.relative.shape, light[light > 0]
    text = f"{flat.name}: irradiance_mw_cm2 is taken as that of the brightest place of the field; "
    if (wide, tall) != (case.light.columns, case.light.rows):
        text += f"its {wide} x {tall} values, interpolated linearly, lie from corner pixel to corner pixel; "
    return text + (
        f"pixels that light the part have {amount(float(lights.min()))} to {amount(float(lights.max()))} of it, "
        f"{amount(float(light.mean()))} on average; the design makes up for that, with an exposure that is longer by "
        "about as much"
    )


def _columns(case: Case) -> slice:
    """Columns that can light the part, as they would be if black were dark: else all of the field is designed."""
    return lit(case.having(light={"response": Linear(), "bits": 8, "planes": 1})).lit[0]


def _rows(case: Case) -> slice:
    """Rows that reach into the height of the part."""
    light = case.light
    reach = case.part.farthest_z_mm / light.pixel_mm
    low = max(0, math.ceil((light.rows - 1) / 2 - reach - 1e-6))
    return slice(min(low, (light.rows - 1) // 2), max(light.rows - low, light.rows // 2 + 1))


def _dead(case: Case) -> tuple[list[int], list[int]]:
    """Dead columns and rows that would light the part, as the job numbers them."""
    light, across, along = case.light, _columns(case), _rows(case)
    columns = [n for n in sorted(set(light.dead_columns)) if across.start <= n < across.stop]
    rows = [n for n in sorted(set(light.dead_rows)) if along.start <= light.rows - 1 - n < along.stop]
    return columns, rows


def _heights(case: Case, rows: list[int]) -> str:
    middle = (case.light.rows - 1) / 2
    heights = [(middle - n) * case.light.pixel_mm for n in rows]
    return ", ".join(f"{z:.3g}" for z in heights[:LISTED]) + (" ..." if len(rows) > LISTED else "")


def _listed(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers[:LISTED])) + (" ..." if len(numbers) > LISTED else "")
