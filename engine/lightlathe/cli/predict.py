"""`lightlathe predict`: the print under other assumptions."""

import argparse
import json
from dataclasses import asdict
from typing import TYPE_CHECKING

from lightlathe.cli.assumed import assumptions, in_options, light_assumed, vial_assumed
from lightlathe.cli.came_out import after_prints
from lightlathe.cli.say import note, run_own, tell, told
from lightlathe.errors import LightlatheError

if TYPE_CHECKING:
    from lightlathe.result import Record


def predict(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.flow.partial_turns import partial_turns
    from lightlathe.judge import outcome_of
    from lightlathe.report.comparison import comparison
    from lightlathe.resins.own import absorbing
    from lightlathe.result import read_result
    from lightlathe.support.plain import finite

    record = read_result(arguments.result)
    note(arguments.result)
    run_own(record, arguments)
    others = [arguments.absorption, arguments.axis_offset or None, arguments.sense, arguments.motion]
    others += [arguments.insert_offset, arguments.axis_tilt_deg or None]
    others += [*vial_assumed(arguments).values(), *light_assumed(arguments).values()]
    stated = any(value is not None for value in others)
    if arguments.came_out or arguments.kept:
        if stated or arguments.assumptions:
            raise LightlatheError("--came-out goes with --exposure alone; expected no other assumption beside it.")
        return after_prints(record, arguments)
    if arguments.keep or arguments.photo is not None:
        raise LightlatheError("--keep and --photo go with --came-out WORDS; expected what to keep.")
    if arguments.assumptions:
        if stated or arguments.exposure is not None:
            raise LightlatheError("--assumptions makes a list of its own; expected no other assumption beside it.")
        return _listed(record, arguments)
    designed = pipeline.job_of(record).resin
    resin = designed
    along_x, along_y = arguments.insert_offset or (0.0, 0.0)
    with in_options():
        if arguments.absorption is not None:
            resin = absorbing(resin, arguments.absorption)
        prediction = pipeline.predict(
            record,
            resin=None if resin is designed else resin,
            exposure_s=arguments.exposure,
            axis_offset_mm=arguments.axis_offset,
            axis_tilt_deg=arguments.axis_tilt_deg,
            sense=arguments.sense,
            motion=arguments.motion,
            vial=vial_assumed(arguments) or None,
            light=light_assumed(arguments) or None,
            insert_offset_mm=(along_x, along_y),
        )
    turns = None if arguments.exposure is None else partial_turns(record, arguments.exposure)
    if arguments.json:
        uneven = {} if turns is None else {"partial_turns": finite(asdict(turns))}
        print(json.dumps(finite(prediction.quality) | uneven, indent=1))
    else:
        index_assumed = "resin.refractive_index" in record.assumed_keys
        said = assumptions(arguments, resin.refractive_index, index_assumed=index_assumed)
        print(comparison(record, prediction, said))
        if turns is not None:
            print(turns.text())
    return told(outcome_of(prediction.quality), quietly=arguments.json)


def _listed(record: "Record", arguments: argparse.Namespace) -> int:
    """What each thing that the job leaves unstated may cost."""
    from lightlathe.feasibility import this_machine
    from lightlathe.feasibility.whole_job import predictions_s
    from lightlathe.flow.recorded import job_of
    from lightlathe.flow.what_if import cases, what_ifs
    from lightlathe.report.what_if import table
    from lightlathe.support.plain import finite
    from lightlathe.support.words import duration

    job, grid = job_of(record), record.part.grid
    number = len(list(cases(job, record.patterns.exposure_s)))
    updates = float(grid.voxels * job.turn.angles * record.facts.get("design_parts", 1))
    seconds = predictions_s(number, updates, job.grid.finer, this_machine(job))
    tell(f"{number} predictions of the print, roughly {duration(max(seconds, 1.0), 1)} on a machine that is not busy")
    found = what_ifs(record)
    if arguments.json:
        rows = [
            {"if": case.words, "keys": case.asked, "why_not": case.why_not or None,
             "quality": None if case.print is None else finite(case.print.quality)}
            for case in found
        ]  # fmt: skip
        print(json.dumps(rows, indent=1))
    else:
        print(table(record, found))
    return 0
