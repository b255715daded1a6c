"""`lightlathe show`: the summary of a result again."""

import argparse
import json

from lightlathe.cli.say import note, run_own, tell, told
from lightlathe.errors import LightlatheError


def show(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.judge import outcome_of
    from lightlathe.report.kept import kept_json, kept_line
    from lightlathe.result import read_result
    from lightlathe.result.outcomes import read_outcomes

    record = read_result(arguments.result)
    note(arguments.result)
    run_own(record, arguments)
    try:
        kept = read_outcomes(arguments.result)
    except LightlatheError as problem:  # the summary does not rest on that file
        tell(f"note: {problem}")
        kept = ()
    if arguments.json:
        found = pipeline.as_json(record, arguments.result) | {"prints": kept_json(kept)}
        print(json.dumps(found, indent=1, allow_nan=False))
    else:
        print("\n".join([pipeline.summary(record, arguments.result), *kept_line(kept, arguments.result)]))
    return told(outcome_of(record.quality), quietly=arguments.json)
