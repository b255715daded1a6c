"""Whether part, vial, light field, pixels, voxels and images per turn match each other."""

import math

from lightlathe.feasibility.black import black
from lightlathe.feasibility.case import Case
from lightlathe.feasibility.light import PATIENCE_S, allowed_s, exposure_range_s, light
from lightlathe.job.lit_space import height_mm, width_mm
from lightlathe.judge.ends import REL_TOLERANCE, move_onto_rows, move_words
from lightlathe.judge.turning import VIDEO_RATE, contrast_left, smear_mm, views_per_turn
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, any_of, count, rounded_down, rounded_up

FEW_VOXELS = 16.0  # across a part: with fewer its shape is steps (common practice, no source)
STEP_PIXELS = 2.0  # 1 gives 97 % of the finest turn's window, 2 about 85 %: measured here on three shapes at mu R = 1
SMEAR_PIXELS = 1.0  # half a pixel leaves 0.96 of a stationary vial's window, 1 some 0.9: benchmarks/QUALITY.md


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
        change = f"{any_of(helps)}. Is the part's unit right?"
        return Reason("room", "cannot work", f"{text}: it does not fit.", clear, 0.0, "mm", change)
    around = 2 * case.grid.voxel_mm
    if clear < around:
        change = "a wider vial or a smaller part: at least two voxels of resin around it."
        return Reason("room", "marginal", f"{text}: {amount(clear)} mm to the wall.", clear, around, "mm", change)
    return Reason("room", "will work", f"{text}.", clear, around, "mm")


def _larger_room(case: Case, slack: float) -> list[str]:
    wider = ["a wider vial"] if case.part.radius_mm > case.vial.radius_mm + slack else []
    return wider + (["more resin"] if case.part.height_mm > case.vial.resin_height_mm + slack else [])


def place(case: Case) -> Reason:
    """Whether everything lies inside the resin and the light, from the findings in the case."""
    found = " ".join((*case.part.violations, *case.part.possible_mistakes))
    if case.part.violations:
        change = f"{any_of(case.part.helps or ('finer voxels', 'a larger part', 'another place'))}."
        return Reason("place", "cannot work", found, len(case.part.violations), 0.0, "violations", change)
    if case.part.possible_mistakes:
        change = "look at role, unit and place of each solid."
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


def detail(case: Case) -> Reason:
    """Pixel size against voxel size, and both against the thinnest wall and the part."""
    finest, across = max(case.light.pixel_mm, case.grid.voxel_mm), 2 * case.part.radius_mm / case.grid.voxel_mm
    text = f"pixels of {amount(case.light.pixel_mm, 3)} mm, voxels of {amount(case.grid.voxel_mm, 3)} mm"
    found = []  # (what is wrong, number, limit, unit, change)
    if case.part.thinnest_mm is not None:
        text += f", thinnest wall {amount(case.part.thinnest_mm)} mm"
        if case.part.thinnest_mm < 2 * finest * (1 - REL_TOLERANCE):
            change = f"{_finer(case, case.part.thinnest_mm / 2)}, or a thicker wall"
            words = f"the wall is under two {'pixels' if case.light.pixel_mm == finest else 'voxels'}"
            found.append((words, case.part.thinnest_mm, 2 * finest, "mm", change))
    if case.light.pixel_mm > 2 * case.grid.voxel_mm:
        change = f"voxels of {amount(case.light.pixel_mm)} mm"
        wide, tall = case.light.columns * case.grid.voxel_mm, case.light.rows * case.grid.voxel_mm
        if wide >= 2 * case.part.radius_mm and tall >= case.part.height_mm:
            change = f"a picture {amount(case.light.pixel_mm / case.grid.voxel_mm)} times smaller, or {change}"
        words = "the light cannot draw what the voxels show"
        found.append((words, case.light.pixel_mm, 2 * case.grid.voxel_mm, "mm", change))
    if case.pixels_are_finer:
        words = "the pixels are finer than the voxels, so the design fits its own voxels better than the true shape"
        change = f"voxels of {amount(case.light.pixel_mm, 3)} mm or less"
        found.append((words, case.light.pixel_mm, case.grid.voxel_mm, "mm", change))
    if across < FEW_VOXELS:
        change = _finer(case, 2 * case.part.radius_mm / 32)
        found.append((f"{across:.0f} voxels across the part are few", across, FEW_VOXELS, "", change))
    rows = between_rows(case)
    if not found:
        text = f"{text}: {across:.0f} voxels across the part.{rows}"
        return Reason("detail", "will work", text, across, FEW_VOXELS)
    words, numbers, limits, units, changes = zip(*found, strict=True)
    text = f"{text}: {'; '.join(words)}.{rows}"
    change = f"{'; '.join(dict.fromkeys(changes))}."
    return Reason("detail", "marginal", text, numbers[0], limits[0], units[0], change)


def _finer(case: Case, most_mm: float) -> str:
    """Voxels, and pixels where these would be coarser, of `most_mm` or less, and how many of them light the part."""
    text = rounded_down(most_mm)
    if case.light.pixel_mm <= float(text):
        return f"voxels of {text} mm or less"
    columns, rows = (math.ceil(mm / float(text)) for mm in (2 * case.part.radius_mm, case.part.height_mm))
    enough = columns <= case.light.columns and rows <= case.light.rows
    more = "" if enough else f" ({columns} columns and {rows} rows, or more)"
    return f"{'voxels and ' if case.grid.voxel_mm > float(text) else ''}pixels of {text} mm or less{more}"


def between_rows(case: Case) -> str:
    """A sentence where the part's level ends lie between rows of pixels, and the shift along z that corrects it.

    Light changes linearly from row to row, so such an end gets half of the last row's light and prints short: moved by
    half a row, a disc agreed by 0.89 instead of 0.79 and the quickstart's valve by 0.966 instead of 0.951, on the finer
    grid.
    """
    if (
        case.part.level_ends_mm is None or case.light.rows_spread or case.grid.margin_voxels == 0
    ):  # rows beyond the grid may be lit as well
        return ""
    low, high = case.part.level_ends_mm
    light, height = case.light, case.vial.resin_height_mm
    move = move_onto_rows((low, high), case.part.radius_mm, light.pixel_mm, light.rows, height, case.grid.voxel_mm)
    if move is None:
        return ""
    return (
        f" Its level ends at z = {amount(low, 4)} and {amount(high, 4)} mm lie between two rows of pixels, where light "
        f"falls off, and print up to half a row short: {move_words(move)}."
    )


def turn(case: Case) -> Reason:
    """Images per turn against resolution, motion smear, and images per second."""
    rate = case.turn.angles / case.turn.seconds_per_turn
    smear = smear_mm(case.part.radius_mm, 2 * math.pi / case.turn.seconds_per_turn, rate)
    pixel = case.light.pixel_mm * case.narrowing  # in the resin
    columns = math.ceil(2 * case.part.radius_mm / pixel)
    enough = views_per_turn(columns)
    pixels, voxels = smear / pixel, smear / case.grid.voxel_mm
    each = "" if abs(case.narrowing - 1) < REL_TOLERANCE else f" (a pixel is {amount(pixel)} mm in the resin)"
    far = f"{count(pixels, 'pixel', digits=3)}{each} or {count(voxels, 'voxel', digits=3)}"
    moves = f"the part's edge moves {amount(smear)} mm, {far}"
    text = f"{count(case.turn.angles, 'image')} a turn, {amount(rate, 3)} a second: "
    if case.continuous:
        kept = contrast_left(smear, pixel)
        # beyond two pixels, what is left is drawn in the gaps
        share = f"{100 * kept:.0f} %" if smear < 2 * pixel else "none"
        text += f"while an image is shown {moves}, and lines a pixel wide keep {share} of their contrast there"
    else:
        text += f"from one to the next {moves}"
    text += f" (by the sampling rule full sharpness over the part's {columns} columns takes {enough} images)"
    if rate > VIDEO_RATE and case.light.frame_rate_hz is None:  # else timing.py judges it
        change = f"a turn of {rounded_up(case.turn.angles / VIDEO_RATE, 3)} s or more."
        text += f"; faster than a video projector's {amount(VIDEO_RATE, 3)} a second."
        return Reason("turn", "marginal", text, rate, VIDEO_RATE, "1/s", change)
    limit = SMEAR_PIXELS if case.continuous else STEP_PIXELS
    if pixels > limit:
        return Reason("turn", "marginal", f"{text}.", pixels, limit, "pixels", _finer_turn(case, pixels, enough))
    return Reason("turn", "will work", f"{text}.", pixels, limit, "pixels")


def _finer_turn(case: Case, pixels: float, enough: int) -> str:
    """The images per turn that would suffice, the slower turn that they need, or a stepped stage.

    enough   images for a step of one pixel, by the sampling rule
    """

    def images(limit: float) -> str:
        wanted = math.ceil(enough / limit)
        fast = wanted / case.turn.seconds_per_turn > VIDEO_RATE
        slower = f" in {rounded_up(wanted / VIDEO_RATE, 3)} s or more" if fast else ""
        return f"{wanted} images a turn or more{slower}"

    if not case.continuous:
        return f"{images(STEP_PIXELS)}."
    stops = "a stage that stops under each image"
    if pixels > STEP_PIXELS:
        stops = f"{images(STEP_PIXELS)} of a stage that stops under each"
    return f'{images(SMEAR_PIXELS)}, or {stops} (motion = "stepped").'
