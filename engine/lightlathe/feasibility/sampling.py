"""Whether pixels, voxels and images per turn suit each other and the part."""

import math

from lightlathe.feasibility.case import Case
from lightlathe.judge.ends import REL_TOLERANCE, move_onto_rows, move_words
from lightlathe.judge.turning import VIDEO_RATE, contrast_left, smear_mm, views_per_turn
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, count, rounded_down, rounded_up

FEW_VOXELS = 16.0  # across a part: with fewer its shape is steps (common practice, no source)
STEP_PIXELS = 2.0  # 1 gives 97 % of the finest turn's window, 2 about 85 %: measured here on three shapes at mu R = 1
SMEAR_PIXELS = 1.0  # half a pixel leaves 0.96 of a stationary vial's window, 1 some 0.9: benchmarks/QUALITY.md


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
        text += (
            f". Too few images: what is finer than {amount(smear)} mm (pi D / N, the bow-tie condition) is lost at the "
            "part's edge, and much of the process window with it."
        )
        return Reason("turn", "marginal", text, pixels, limit, "pixels", _finer_turn(case, pixels, enough))
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
