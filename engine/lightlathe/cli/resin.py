"""`lightlathe resin`: absorption and doses from measurements."""

import argparse
import json
import sys

from lightlathe.errors import MeasurementError


def resin(arguments: argparse.Namespace) -> int:
    from lightlathe.resins.known import known_text
    from lightlathe.resins.measured import measure
    from lightlathe.resins.measurements import accepted

    if arguments.known:
        print(known_text())
    elif not arguments.tables:
        raise MeasurementError(f"no table was named; expected one or more CSV files.\n{accepted()}")
    if not arguments.tables:
        return 0
    measured = measure(arguments.tables, absorption_per_mm=arguments.absorption, sure=arguments.sure)
    print(json.dumps(measured.as_json(), indent=1) if arguments.json else measured.text())
    if arguments.picture is not None:
        from lightlathe.resins.residuals import draw_residuals

        print(f"picture: {draw_residuals(measured, arguments.picture)}", file=sys.stderr)
    return 0
