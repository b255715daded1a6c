"""After prints, what only other frames mend: an axis that is off, a sense, a picture on its head."""

from lightlathe.flow.after_print import AfterPrint
from lightlathe.flow.recorded import job_of
from lightlathe.judge.seen import CameOut
from lightlathe.result import Record
from lightlathe.support.words import amount


def doubled(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    light, pixel = job_of(record).light, record.patterns.pixel_mm
    text = "opposite images do not meet: the turning axis lies beside the column that the job takes it to be at. "
    if seen.by_mm is not None:
        off = seen.by_mm / 2 / pixel
        now = light.axis_offset_pixels
        text += (
            f"Edges {seen.by_mm:g} mm apart are twice the error, so it is {amount(off, 3)} columns: "
            "axis_offset_pixels = "
            f"{amount(now + off, 3)} or {amount(now - off, 3)} in [light] instead of {now:g}. "
        )
    else:
        text += "How far apart are they? Half of that, in columns, is the error of axis_offset_pixels in [light]. "
    return text + (
        "A needle at 0 and 180 degrees tells which: lightlathe export JOB.toml --calibration FOLDER, then lightlathe "
        "projector. Or the axis wobbles: then mend the stage."
    )


def mirrored(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    sense = job_of(record).turn.sense
    other = "counterclockwise" if sense == "clockwise" else "clockwise"
    return (
        f"the vial turns the other way than the job says, or the picture is mirrored. Look from above: if it turns "
        f"{other}, "
        f'write sense = "{other}" in [turn] (now "{sense}"). If it does turn {sense}, the picture is mirrored: flip = '
        '"left_right" in [light]. The letter of lightlathe export JOB.toml --calibration FOLDER shows which. Then '
        "design again."
    )


def upside_down(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    light = job_of(record).light
    return (
        f'the picture stands on its head: flip = "up_down" in [light] (now {light.flip or "none"!r}), or rotate_deg = '
        f"{(light.rotate_deg + 180) % 360} if the projector hangs upside down. Then design again."
    )
