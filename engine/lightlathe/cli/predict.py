"""`lightlathe predict`: the print under other assumptions."""

import argparse
import json
import shlex

from lightlathe.cli.options import assumptions, vial_assumed
from lightlathe.cli.say import note, run_own, told
from lightlathe.errors import LightlatheError


def predict(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.flow.calibration import next_exposure
    from lightlathe.judge import outcome_of
    from lightlathe.report.summary import comparison
    from lightlathe.resins.own import absorbing
    from lightlathe.result import read_result
    from lightlathe.support.plain import finite
    from lightlathe.support.words import count

    record = read_result(arguments.result)
    note(arguments.result)
    run_own(record, arguments)
    if arguments.came_out is not None:
        others = (arguments.absorption, arguments.axis_offset or None, arguments.sense, arguments.motion)
        others += tuple(vial_assumed(arguments).values())
        if any(value is not None for value in others):
            raise LightlatheError("--came-out goes with --exposure alone; expected no other assumption beside it.")
        advice = next_exposure(record, arguments.came_out, arguments.exposure)
        if arguments.json:
            print(json.dumps(advice.as_json(), indent=1))
        else:
            turns, file = record.patterns.turns, shlex.quote(str(arguments.result))
            print(advice.text())
            if advice.exposure_s > pipeline.job_of(record).turn.longest_s:
                return 0
            each = f"of {advice.exposure_s / turns:.1f} s" + (" each" if turns > 1 else "")
            print(f"the same frames in {count(turns, 'turn')} {each} give that exposure; for a manifest:")
            print(f"  lightlathe export {file} --frames FOLDER --exposure {advice.exposure_s:.1f}")
        return 0
    resin = pipeline.job_of(record).resin
    if arguments.absorption is not None:
        resin = absorbing(resin, arguments.absorption)
    prediction = pipeline.predict(
        record,
        resin=resin,
        exposure_s=arguments.exposure,
        axis_offset_mm=arguments.axis_offset,
        sense=arguments.sense,
        motion=arguments.motion,
        vial=vial_assumed(arguments) or None,
    )
    if arguments.json:
        print(json.dumps(finite(prediction.quality), indent=1))
    else:
        print(comparison(record, prediction, assumptions(arguments, resin.refractive_index)))
    return told(outcome_of(prediction.quality), quietly=arguments.json)
