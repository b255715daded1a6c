"""After prints, in words: what to change and by how much, for each thing that was seen."""

import math
from collections.abc import Callable, Sequence

from lightlathe.flow.after_print import AfterPrint
from lightlathe.judge.seen import CameOut
from lightlathe.judge.vials import Vial, at_odds, centre_liquid
from lightlathe.report.mend_dose import end_missing, liquid_centre, sank, soft
from lightlathe.report.mend_frames import doubled, mirrored, upside_down
from lightlathe.result import Record
from lightlathe.support.words import amount


def changes(record: Record, found: AfterPrint) -> list[str]:
    """What to change besides the exposure: an entry for each thing seen of the new prints that asks for it.

    What several prints have is answered for the last of them. Of earlier prints a liquid centre is answered too, until
    a longer exposure had a solid one; the rest stands in one line.
    """
    before = found.vials[: len(found.vials) - found.named]
    liquid = [vial for vial in before if centre_liquid(vial, found.vials)]
    seen = {one.kind: (one, vial.exposure_s) for vial in liquid for one in vial.seen if one.kind == "liquid centre"}
    seen |= {one.kind: (one, vial.exposure_s) for vial in found.new for one in vial.seen if one.kind in ADVICE}
    several = len({used for _, used in seen.values()}) > 1
    lines = []
    for one, used in seen.values():
        at = f" ({amount(used, 4)} s)" if several else ""
        lines.append(f"{one.words}{at}: {ADVICE[one.kind](record, found, one, used)}")
    for vial in found.new:
        if at_odds(vial, found.doses):
            lines.append(f"{', '.join(one.words for one in vial.seen)}: {_at_odds(record, found, vial.exposure_s)}")
        elif not vial.of_this_light and vial.kinds - set(ADVICE) - {"upside down"}:
            lines.append(
                f"'{vial.words}' tells nothing of the threshold: doses are predicted for the job's axis and sense."
            )
    return lines + _of_earlier(before, found, set(seen))


def _of_earlier(before: Sequence[Vial], found: AfterPrint, answered: set[str]) -> list[str]:
    """What was said of earlier prints and is not answered again."""
    lines = [
        f"'{vial.words}' is left out of what follows: no one exposure mends all of it."
        for vial in before
        if at_odds(vial, found.doses)
    ]
    rest = {one.kind: one.words for vial in before for one in vial.seen if one.kind in set(ADVICE) - answered}
    if rest:
        lines.append(
            f"kept of earlier prints and not said of these, so taken as mended: {', '.join(rest.values())}. "
            "predict RESULT --kept says what to change."
        )
    return lines


def _at_odds(record: Record, found: AfterPrint, used: float) -> str:
    """Too thin in one place and closed in another, of one print."""
    text = (
        "no one exposure mends both: a longer one turns more solid where it is too much already, a shorter one leaves "
        "more liquid where it is too little. "
    )
    doses = found.doses
    if doses is not None and not math.isnan(doses.most_out):
        share = used / doses.exposure_s
        out, inside = amount(share * doses.most_out, 3), amount(share * doses.least_in, 3)
        between = f"the most exposed place around the part got {out} mJ/cm3 and the weakest of the part {inside}"
        if doses.most_out >= doses.least_in:
            text += f"The design has no window between them: {between}. More iterations, a finer pixel or wider holes. "
        else:
            text += f"The design has a window between them: {between}, so the light is not what the job says. "
    return text + (
        "Blurred light does this (focus; blur_mm in [light]; resin that scatters), and so does an axis that is off "
        "(doubled edges; axis_offset_pixels). Measure these, write them, and design again."
    )


ADVICE: dict[str, Callable[[Record, AfterPrint, CameOut, float], str]] = {
    "soft": soft,
    "liquid centre": liquid_centre,
    "doubled edges": doubled,
    "mirrored": mirrored,
    "upside down": upside_down,
    "sank": sank,
    "top missing": end_missing,
    "bottom missing": end_missing,
}
