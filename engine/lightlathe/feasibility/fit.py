"""Whether the part fits into vial, resin and light."""

import math

from lightlathe.feasibility.black import black
from lightlathe.feasibility.case import Case
from lightlathe.feasibility.light import PATIENCE_S, allowed_s, exposure_range_s, light
from lightlathe.feasibility.sampling import detail, turn
from lightlathe.job.lit_space import height_mm, width_mm
from lightlathe.judge.ends import REL_TOLERANCE
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, any_of, rounded_up

OTHER_UNITS = {"cm": 10.0, "inch": 25.4, "m": 1000.0}  # that lengths of a vial are written in by mistake
SUITS = 4.0  # times the picture's width, or height: a vial of more is not the one it was made for (no source)


def room(case: Case) -> Reason:
    """Whether the part fits the vial's radius and the resin's height."""
    clear = case.vial.radius_mm - case.part.radius_mm
    slack = REL_TOLERANCE * case.grid.voxel_mm
    text = (
        f"the part reaches {amount(case.part.radius_mm, 3)} mm from the axis in a vial of "
        f"{amount(case.vial.radius_mm, 3)} mm radius and is {amount(case.part.height_mm, 3)} mm tall in "
        f"{amount(case.vial.resin_height_mm, 3)} mm of resin"
    )
    if clear < -slack or case.part.height_mm > case.vial.resin_height_mm + slack:
        helps = case.part.helps or ("a smaller part", *_larger_room(case, slack))
        change = _asking(case.part.unit_question or _vial_in(case, slack), f"{any_of(helps)}.")
        return Reason("room", "cannot work", f"{text}: it does not fit.", clear, 0.0, "mm", change)
    around = 2 * case.grid.voxel_mm
    if clear < around:
        change = "a wider vial or a smaller part: at least two voxels of resin around it."
        return Reason("room", "marginal", f"{text}: {amount(clear)} mm to the wall.", clear, around, "mm", change)
    return Reason("room", "will work", f"{text}.", clear, around, "mm")


def _asking(question: str, else_: str) -> str:
    """A change that helps, after the question that it is needless to follow if answered by yes."""
    return f"{question} Else {else_}" if question else else_


def _vial_in(case: Case, slack: float) -> str:
    """Whether a length of the vial is in another unit, where that would hold the part and suit the picture; or ''."""
    vial, part, light = case.vial, case.part, (case.light, case.vial, case.resin)
    lengths = (
        ("inner_diameter_mm", vial.inner_diameter_mm, 2 * part.radius_mm, width_mm(*light)),
        ("resin_height_mm", vial.resin_height_mm, part.height_mm, height_mm(*light, part.radius_mm)),
    )
    for key, given, needed, picture in lengths:
        if needed <= given + slack:
            continue
        for unit, times in OTHER_UNITS.items():
            if needed <= given * times <= SUITS * max(picture, needed):
                return f"Is {key} in {unit}? In mm it is {amount(given * times, 3)}, which would hold the part."
    return ""


def _larger_room(case: Case, slack: float) -> list[str]:
    wider = ["a wider vial"] if case.part.radius_mm > case.vial.radius_mm + slack else []
    return wider + (["more resin"] if case.part.height_mm > case.vial.resin_height_mm + slack else [])


def place(case: Case) -> Reason:
    """Whether everything lies inside the resin and the light, from the findings in the case."""
    found = " ".join((*case.part.violations, *case.part.possible_mistakes))
    if case.part.violations:
        helps = any_of(case.part.helps or ("finer voxels", "a larger part", "another place"))
        change = _asking(case.part.unit_question or _vial_in(case, REL_TOLERANCE * case.grid.voxel_mm), f"{helps}.")
        return Reason("place", "cannot work", found, len(case.part.violations), 0.0, "violations", change)
    if case.part.possible_mistakes:
        change = _asking(case.part.unit_question, "look at role, unit and place of each solid.")
        return Reason("place", "marginal", found, len(case.part.possible_mistakes), 0.0, "possible mistakes", change)
    return Reason("place", "will work", "all of the part is inside the resin and the light.", 0.0, 0.0, "violations")


def field(case: Case) -> Reason:
    """The projector's field against part and vial."""
    light = case.light, case.vial, case.resin
    width, height = width_mm(*light), height_mm(*light, case.part.radius_mm)
    width, height = max(width, REL_TOLERANCE), max(height, REL_TOLERANCE)  # a lens far off lights nothing
    across = 2 * case.part.radius_mm
    inside = "" if case.narrowing == 1 else " in the resin"
    if case.light.axis_offset_pixels:
        inside += f" about the axis ({amount(abs(case.light.axis_offset_pixels), 3)} columns off the field's middle)"
    text = f"the picture is {amount(width, 3)} mm wide{inside} and {amount(height, 3)} mm tall at the vial"
    slack = REL_TOLERANCE * case.light.pixel_mm
    if width < across - slack or height < case.part.height_mm - slack:
        never = height < case.part.height_mm - slack and not case.light.rows_spread
        dark = "some of it never sees light" if never else "some of it is out of the light for part of every turn"
        text += (
            f"; turning, the part sweeps {amount(across, 3)} mm across and is {amount(case.part.height_mm, 3)} mm "
            f"tall, so {dark}."
        )
        times = rounded_up(max(across / width, case.part.height_mm / height), 3)
        change = f"{_missing(case)}; or a lens that enlarges the picture {times} times, or a smaller part."
        change = _asking(case.part.unit_question, change)
        spare = min(width - across, height - case.part.height_mm)
        return Reason("field", "cannot work", text, spare, 0.0, "mm", change)
    share = across / width
    if width >= 2 * case.vial.radius_mm:
        text += f", as wide as the vial's {amount(2 * case.vial.radius_mm, 3)} mm or wider; "
    else:
        text += f", narrower than the vial ({amount(2 * case.vial.radius_mm, 3)} mm) and wide enough for the part; "
    if share > 1 - 1 / case.light.columns:
        text += "all of its columns can light the part."
    else:
        others = "stays dark" if black(case) is None else "shows black"
        takes = f"{amount(across, 3)} mm of that width, {amount(100 * share)} % of it"
        text += f"the part takes {takes}, and the rest {others}."
    picture = across / (case.light.columns * case.light.pixel_mm * case.narrowing)  # of the light beside the vial too
    if picture < 0.6 and height > 1.3 * case.part.height_mm:
        factor = max(picture * 1.05, case.part.height_mm / height * 1.05)
        text += (
            f" A lens that makes the picture {amount(factor)} times as large would give pixels of "
            f"{amount(case.light.pixel_mm * factor)} mm and stronger light{_still_weak(case, factor)}"
            f"{_wanted_with(case, factor)}."
        )
    return Reason("field", "will work", text, share, 1.0)


def _scaled(case: Case, times: float) -> Case:
    """The same with the picture scaled by a factor, its light the same in all."""
    light = case.light
    larger = {"pixel_mm": light.pixel_mm * times, "irradiance_mw_cm2": light.irradiance_mw_cm2 / times**2}
    return case.having(light=larger)


def _still_weak(case: Case, times: float) -> str:
    """A caveat where the light is, or may be, too weak with the scaled picture too."""
    shortest, longest = exposure_range_s(_scaled(case, times))
    if shortest > allowed_s(case):
        return ", though still too little"
    if longest > allowed_s(case):
        return ", which may still be too little"
    return ", though still very slow" if shortest > PATIENCE_S else ""


def _wanted_with(case: Case, times: float) -> str:
    """What else a picture scaled by this factor would need, where nothing is wrong without it."""
    scaled = _scaled(case, times)
    questions = ((detail, "finer voxels"), (turn, "more images a turn"), (light, "a dimmer lamp"))
    wanted = [words for ask, words in questions if ask(case).level == "will work" and ask(scaled).level == "marginal"]
    return f"; it then wants {', '.join(wanted[:-1])}{' and ' if wanted[1:] else ''}{wanted[-1]}" if wanted else ""


def _missing(case: Case) -> str:
    """The columns and rows that would just cover the part, where there are too few."""
    pixel, off = case.light.pixel_mm, 2 * abs(case.light.axis_offset_pixels)
    column, row = pixel * case.narrowing, pixel
    if case.light.rows_spread:  # a mean pixel, where the light ends first
        light = case.light, case.vial, case.resin
        column = width_mm(*light) / case.light.columns_about_axis
        row = height_mm(*light, case.part.radius_mm) / case.light.rows
    wanted = (
        ("columns", case.light.columns, 2 * case.part.radius_mm / column + off),
        ("rows", case.light.rows, case.part.height_mm / max(row, 1e-3 * pixel)),
    )
    return " and ".join(
        f"{math.ceil(need)} {name} instead of {n}" for name, n, need in wanted if need > n + REL_TOLERANCE
    )
