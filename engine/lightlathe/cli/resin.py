"""`lightlathe resin`: absorption and doses from measurements."""

import argparse
import datetime
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from lightlathe.errors import MeasurementError

if TYPE_CHECKING:
    from lightlathe.resins.measured import Measured


def resin(arguments: argparse.Namespace) -> int:
    from lightlathe.resins.known import known_json, known_text
    from lightlathe.resins.measured import measure
    from lightlathe.resins.measurements import accepted

    if arguments.known:
        if not (arguments.json and arguments.tables):  # one JSON value: that of the measurements
            print(json.dumps(known_json(), indent=1) if arguments.json else known_text())
    elif not arguments.tables:
        raise MeasurementError(f"no table was named; expected one or more CSV files.\n{accepted()}")
    if not arguments.tables:
        return 0
    if arguments.output is not None and arguments.output.exists():
        raise MeasurementError(f"{arguments.output}: is there already; give the resin file another name.")
    measured = measure(arguments.tables, absorption_per_mm=arguments.absorption, sure=arguments.sure)
    print(json.dumps(measured.as_json(), indent=1) if arguments.json else measured.text())
    if arguments.output is not None:
        print(f"resin file: {write_resin(measured, arguments.output)}", file=sys.stderr)
    if arguments.picture is not None:
        from lightlathe.resins.residuals import draw_residuals

        print(f"picture: {draw_residuals(measured, arguments.picture)}", file=sys.stderr)
    return 0


def write_resin(measured: "Measured", path: Path) -> Path:
    """A resin file that jobs share: the [resin] table with its name, the file's, and today's date; returns the path."""
    head = f"name = {json.dumps(path.stem)}\ndate = {datetime.date.today().isoformat()}\n"
    try:
        path.write_text(measured.toml().replace("[resin]\n", f"[resin]\n{head}", 1), encoding="utf-8")
    except OSError as problem:
        raise MeasurementError(f"{path}: cannot be written ({problem.strerror}). Is the folder there?") from None
    return path
