"""`lightlathe export`: files for the projector."""

import argparse

from lightlathe.cli.say import note, run_own
from lightlathe.errors import LightlatheError


def export(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.result import read_result

    if arguments.frames is None and arguments.picture is None:
        raise LightlatheError("nothing to export; name at least one of --frames FOLDER, --picture FILE.")
    record = read_result(arguments.result)
    note(arguments.result)
    run_own(record, arguments)
    if arguments.frames is not None:
        print(f"frames: {pipeline.frames(record, arguments.frames, arguments.exposure)}")
    if arguments.picture is not None:
        print(f"picture: {pipeline.picture(record, arguments.picture)}")
    return 0
