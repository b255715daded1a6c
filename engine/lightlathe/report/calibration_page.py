"""The page that goes with calibration frames: what to do with each, and which key takes the answer."""

from collections.abc import Sequence

from lightlathe.flow.test_print import BLURS, TestPrint
from lightlathe.support.words import amount, count


def page(across: int, along: int, places: int, alignment: str, wide: TestPrint, narrow: TestPrint) -> str:
    """Markdown.

    across, along   columns and rows between the inner lines of the picture 3_size
    places          at which the irradiance is measured
    alignment       name of the form for the axis
    wide, narrow    the discs as computed for the job's light and resin
    """
    said = [
        "# Calibration frames",
        "Show each frame full screen, pixel for pixel, with all picture corrections of the projector off. Their values "
        "are the projector's codes, as in the frames of an export. Light and "
        "resin can hurt: enclose the beam, wear eyewear made for its wavelength, follow the safety data sheet of the "
        "resin, and ask someone qualified where you are not sure.",
        "**1_handedness**: on a card in the vial's place, seen from the projector's side along the light, the F stands "
        "upright and reads as an F. If it is mirrored or turned, set `flip` and `rotate_deg` in `[light]` until it is "
        'not. Then look at the vial from above while the stage turns: `sense` in `[turn]` says which way, "clockwise" '
        'or "counterclockwise".',
        "**2_axis_line**: put a thin needle upright on the stage, near its axis. At the stage's 0 and 180 degrees find "
        "the column that lights the needle, at the two level lines of **2_ruler**, and fill "
        f"`{alignment}`: its marks stand every 10 columns from the field's left edge, taller every 50 and 100. "
        f"`lightlathe projector {alignment} --job JOB.toml` gives `axis_offset_pixels` and `axis_tilt_deg`.",
        "**3_size**: measure in the axis's plane, without the vial. The two inner upright lines lie "
        f"{across} columns apart, the two inner level ones {along} rows: `pixel_mm` in `[light]` is the distance over "
        "that number. If the two differ, the projector corrects its picture (keystone): turn that off.",
        "**4_focus**: blocks of upright lines over level ones, 1, 2, 4 and 8 pixels wide from left to right. Focus so "
        "that the narrowest that can be told apart are as narrow as may be, in the middle of the vial. `blur_mm` in "
        "`[light]` is the full width at half maximum of a single bright pixel's image, as a camera there sees it.",
        "**5_ramp**: let the projector warm up, measure the light of each frame with a power meter that does not move, "
        'and fill `response.csv`: `response = { kind = "measured", file = "response.csv" }` in `[light]`.',
        f"**6_white, 6_meter_places**: with the white frame on, measure the irradiance at the {places} places and fill "
        "`flat_field.csv` as the projector sees the field, top row first (at the edges through a pinhole, so that the "
        "meter does not look past the light): `illumination = \"flat_field.csv\"` in "
        "`[light]`. The largest of them, in mW/cm2, is `irradiance_mw_cm2`.",
        "**7_disc, 7_narrow_disc, 7_ring**: show one of them all the time while the vial of resin turns, for whole "
        "turns. Print a row of vials with different exposures, wash them and measure across. The tables say what this "
        "job's light and resin should give, for the two discs; a resin whose middle turns solid earlier or later than "
        "they say has another gel dose (or the light another irradiance) in that proportion. The narrow disc tells the "
        "blur. Times are of full light: for whole turns show the frame as much darker as the turns take longer. The "
        "ring's hole must stay open while its wall turns solid: if it closes, light goes where it should not.",
        *_discs(wide),
        *_discs(narrow),
    ]  # fmt: skip
    return "\n\n".join([*said, ""])


def _discs(disc: TestPrint) -> Sequence[str]:
    if not disc.exposure_s < float("inf"):
        return [f"A disc of {disc.columns} columns: its middle stays dark, so it cannot print with this light."]
    blurs = " | ".join("blur " + count(blur, "pixel") for blur in BLURS)
    head = f"| exposure, s | {blurs} |"
    rows = [
        f"| {amount(disc.exposure_s * times, 3)} | {' | '.join(_mm(sizes[k]) for sizes in disc.diameter_mm)} |"
        for k, times in enumerate(disc.times)
    ]
    return [
        f"Disc of {disc.columns} columns, diameter in mm (it first turns solid after {amount(disc.exposure_s, 3)} s):",
        "\n".join([head, "| --- " * (len(BLURS) + 1) + "|", *rows]),
    ]


def _mm(diameter: float) -> str:
    return f"{diameter:.3f}" if diameter > 0 else "nothing"
