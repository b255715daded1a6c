"""`lightlathe show`: the summary of a result again."""

import argparse
import json

from lightlathe.cli.say import note, run_own, told


def show(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.judge import outcome_of
    from lightlathe.result import read_result

    record = read_result(arguments.result)
    note(arguments.result)
    run_own(record, arguments)
    if arguments.json:
        print(json.dumps(pipeline.as_json(record, arguments.result), indent=1, allow_nan=False))
    else:
        print(pipeline.summary(record, arguments.result))
    return told(outcome_of(record.quality), quietly=arguments.json)
