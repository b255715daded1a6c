"""`lightlathe predict RESULT --came-out WORDS`: after a print."""

import argparse
import json
import shlex
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from lightlathe.errors import LightlatheError

if TYPE_CHECKING:
    from lightlathe.flow.after_print import AfterPrint
    from lightlathe.result import Record


def after_prints(record: "Record", arguments: argparse.Namespace) -> int:
    """What the prints say, those kept of this result with them; with --keep the new ones are kept too."""
    from lightlathe.flow.after_print import after_print, kept_vials, require_possible, surface_of, vial_of
    from lightlathe.flow.partial_turns import partial_turns
    from lightlathe.judge.seen import exposure_and_words, in_turns, read_all
    from lightlathe.report.after_print import changes
    from lightlathe.report.estimates import estimates, question
    from lightlathe.result.outcomes import Kept, keep_outcomes, photo_of, read_outcomes

    said = arguments.came_out or []
    if arguments.photo is not None and len(said) != 1:
        raise LightlatheError("--photo goes with one --came-out; expected one print at a time with it.")
    if arguments.keep and not said:
        raise LightlatheError("--keep goes with --came-out WORDS; expected what to keep.")
    kept = read_outcomes(arguments.result)
    if not said and not kept:
        raise LightlatheError(f"nothing is kept of {arguments.result}. --came-out WORDS --keep keeps a print.")
    new = []
    for words in said:
        seconds, rest = exposure_and_words(words)
        if seconds is not None and arguments.exposure is not None:
            raise LightlatheError(f"'{words}' names an exposure, and --exposure too; expected one of the two.")
        new.append((vial_of(record, read_all(rest), arguments.exposure if seconds is None else seconds), rest))
    surface = surface_of(record)
    before, left_out = kept_vials(record, kept, surface)
    if left_out:
        left_out.append(_kept_in(arguments))
    for vial, _ in new:
        require_possible(record, vial, surface[1])
    if not new and not before:
        print(json.dumps({"prints": [], "notes": left_out}, indent=1) if arguments.json else "\n".join(left_out))
        return 0
    vials = [*before, *(vial for vial, _ in new)]
    found = after_print(record, vials, named=len(new) or None, surface=surface)
    path = None
    if arguments.keep:
        photo = (None, None) if arguments.photo is None else photo_of(arguments.photo, arguments.result)
        path = keep_outcomes(arguments.result, [Kept(vial.exposure_s, words, *photo) for vial, words in new])
    turns = [
        None if in_turns(words) else partial_turns(record, vial.exposure_s)
        for words, (vial, _) in zip(said, new, strict=True)
    ]
    uneven = [f"'{vial.words}': {one.text()}" for (vial, _), one in zip(new, turns, strict=True) if one is not None]
    notes, lines, more = [*left_out, *uneven], changes(record, found), list(estimates(record, found))
    if arguments.json:
        print(json.dumps({**_as_json(found, lines), "notes": notes}, indent=1))
        return 0
    if len(found.vials) > 1 or not said:
        for number, vial in enumerate(found.vials):
            print(f"{'prints:' if number == 0 else '':12}{vial.words}{'' if number < len(before) else '  (new)'}")
    asked = question(found)
    if asked and before:
        asked.append(_kept_in(arguments))
    print("\n".join(notes + asked + lines + _next(record, found, arguments) + more))
    if path is not None:
        print(f"kept in {path}")
    elif said:
        print("nothing was kept: --keep adds this to the result's record, and the next estimate counts it")
    return 0


def _kept_in(arguments: argparse.Namespace) -> str:
    from lightlathe.result.outcomes import outcomes_path

    return f"a kept print that was misread is taken out of 'vials' in {outcomes_path(arguments.result)}"


def _next(record: "Record", found: "AfterPrint", arguments: argparse.Namespace) -> list[str]:
    """The exposure to try next and how to show it."""
    from lightlathe import pipeline
    from lightlathe.support.words import count

    if found.next is None:
        return [f"no exposure is advised: {found.withheld}"] if found.withheld else []
    advice, turns, file = found.next, record.patterns.turns, shlex.quote(str(arguments.result))
    lines = [advice.text()]
    if advice.exposure_s <= pipeline.job_of(record).turn.longest_s:
        each = f"of {advice.exposure_s / turns:.1f} s" + (" each" if turns > 1 else "")
        lines.append(f"the same frames in {count(turns, 'turn')} {each} give that exposure; for a manifest:")
        lines.append(f"  lightlathe export {file} --frames FOLDER --exposure {advice.exposure_s:.1f}")
    return lines


def _as_json(found: "AfterPrint", lines: list[str]) -> dict[str, Any]:
    """The next exposure's numbers on top, as for a single print; None where there is none."""
    from lightlathe.support.plain import finite

    top = {} if found.next is None else found.next.as_json()
    return {
        **top,
        "prints": [{"exposure_s": vial.exposure_s, "seen": [one.words for one in vial.seen]} for vial in found.vials],
        "contradiction": found.contradiction or None,
        "no_exposure_because": found.withheld or None,
        "changes": lines,
        "threshold_mj_cm3": None if found.threshold is None else found.threshold.as_json(),
        "threshold_with_job_mj_cm3": None if found.allowed is None else finite(asdict(found.allowed)),
        "absorption_per_mm": None if found.absorption is None else found.absorption.as_json(),
    }
