"""`lightlathe export`: files for the projector."""

import argparse

from lightlathe.cli.media import MEDIA, export_media, require_meaning
from lightlathe.cli.say import note, run_own
from lightlathe.errors import LightlatheError


def export(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.job import load_job
    from lightlathe.result import read_result

    asked = [getattr(arguments, name) for name in ("frames", "picture", "surface", "volume", *MEDIA)]
    if not any(asked) and arguments.calibration is None:
        raise LightlatheError(
            "nothing to export; name at least one of --frames FOLDER, --video FILE, --player FOLDER, --figures FOLDER, "
            "--picture FILE, --surface FILE, --volume FILE, --calibration FOLDER."
        )
    require_meaning(arguments)
    if arguments.result.suffix == ".toml":  # calibration comes before any design
        if any(asked):
            raise LightlatheError(f"{arguments.result} is a job; expected a result for all but --calibration.")
        print(f"calibration: {pipeline.calibration(load_job(arguments.result), arguments.calibration)}")
        return 0
    record = read_result(arguments.result)
    note(arguments.result)
    run_own(record, arguments)
    if arguments.frames is not None:
        more = {"form": arguments.format or "png", "whole_exposure": arguments.whole_exposure}
        print(f"frames: {pipeline.frames(record, arguments.frames, arguments.exposure, **more)}")
    export_media(record, arguments)
    if arguments.picture is not None:
        print(f"picture: {pipeline.picture(record, arguments.picture)}")
    if arguments.surface is not None:
        print(f"surface: {pipeline.surface(record, arguments.surface, arguments.frame)}")
    if arguments.volume is not None:
        print(f"volume: {pipeline.volume(record, arguments.volume)}")
    if arguments.calibration is not None:
        print(f"calibration: {pipeline.calibration(pipeline.job_of(record), arguments.calibration)}")
    return 0
