"""`lightlathe report`: a page for a browser."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from lightlathe.cli.say import note, run_own
from lightlathe.errors import LightlatheError

if TYPE_CHECKING:
    from lightlathe.result import Record


def report(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.report.page.document import require_page
    from lightlathe.support.files import STUDY, kind_of

    first = arguments.results[0]
    path = arguments.output or Path(f"{first.name.partition('.')[0]}.html")
    require_page(path)
    studies = [result for result in arguments.results if kind_of(result) == STUDY]
    if studies:
        if len(arguments.results) > 1:
            raise LightlatheError(f"{studies[0]} is a study; expected it alone, or results side by side without it.")
        from lightlathe.study.file import read_study
        from lightlathe.study.page import write_study_page

        print(f"report: {write_study_page(read_study(first), path)}")
        return 0
    records = (_read(result, arguments) for result in arguments.results)
    print(f"report: {pipeline.report(records, arguments.results, path)}")
    return 0


def _read(result: Path, arguments: argparse.Namespace) -> "Record":
    from lightlathe.result import read_result

    record = read_result(result)
    note(result)
    run_own(record, arguments)
    return record
