"""`lightlathe report`: a page for a browser."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from lightlathe.cli.say import figures_alone, note, run_own
from lightlathe.errors import LightlatheError

if TYPE_CHECKING:
    from lightlathe.result import Record


def report(arguments: argparse.Namespace) -> int:
    with figures_alone(arguments.json) as out:
        path = report_to(arguments)
        results = [str(result) for result in arguments.results]
        said = {"report": str(path), "bytes": path.stat().st_size, "of": results}
        print(json.dumps(said, indent=1) if arguments.json else f"report: {path}", file=out)
    return 0


def report_to(arguments: argparse.Namespace) -> Path:
    """Write the page; returns its path."""
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

        return write_study_page(read_study(first), path)
    records = (_read(result, arguments) for result in arguments.results)
    return pipeline.report(records, arguments.results, path)


def _read(result: Path, arguments: argparse.Namespace) -> "Record":
    from lightlathe.result import read_result

    record = read_result(result)
    note(result)
    run_own(record, arguments)
    return record
