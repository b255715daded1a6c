"""`lightlathe projector`: where the turning axis lies, from measurements."""

import argparse
import json


def projector(arguments: argparse.Namespace) -> int:
    from lightlathe.job import load_job
    from lightlathe.projector.alignment import alignment, read_alignment
    from lightlathe.report.alignment import as_json, text

    light = load_job(arguments.job).light
    found = alignment(read_alignment(arguments.table), light.columns, light.rows)
    print(json.dumps(as_json(found, light), indent=1) if arguments.json else text(found, light))
    return 0
