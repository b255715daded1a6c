"""`lightlathe export`: files for the projector."""

import argparse
import json
import math
import shlex
from typing import TYPE_CHECKING, Any

from lightlathe.cli.media import MEDIA, export_media, require_meaning
from lightlathe.cli.say import figures_alone, note, run_own, tell
from lightlathe.errors import LightlatheError
from lightlathe.support.words import amount

if TYPE_CHECKING:
    from lightlathe.result import Record


def export(arguments: argparse.Namespace) -> int:
    with figures_alone(arguments.json) as out:
        written = export_all(arguments)
        if arguments.json:
            print(json.dumps(written, indent=1), file=out)
    return 0


def export_all(arguments: argparse.Namespace) -> dict[str, Any]:
    """Write all that is asked for and say where; returns what was written, by option, as plain values."""
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
            job = shlex.quote(str(arguments.result))
            raise LightlatheError(
                f"{arguments.result} is a job; expected a result for all but --calibration. `lightlathe design {job}` "
                "makes it."
            )
        return {
            "calibration": _said("calibration", pipeline.calibration(load_job(arguments.result), arguments.calibration))
        }
    record = read_result(arguments.result)
    note(arguments.result)
    run_own(record, arguments)
    if arguments.exposure is not None:
        _warn_of(record, arguments.exposure)
    written: dict[str, Any] = {}
    if arguments.frames is not None:
        more = {
            "form": arguments.format or "png",
            "whole_exposure": arguments.whole_exposure,
            "replace": arguments.replace,
        }
        written["frames"] = _said("frames", pipeline.frames(record, arguments.frames, arguments.exposure, **more))
    written |= export_media(record, arguments)
    if arguments.picture is not None:
        written["picture"] = _said("picture", pipeline.picture(record, arguments.picture))
    if arguments.surface is not None:
        said = f"{pipeline.surface(record, arguments.surface, arguments.frame)}{_volumes(record, arguments)}"
        written["surface"] = {"file": str(arguments.surface), "said": _said("surface", said)}
    if arguments.volume is not None:
        said = _said("volume", pipeline.volume(record, arguments.volume))
        written["volume"] = {"file": str(arguments.volume), "said": said}
    if arguments.calibration is not None:
        made = pipeline.calibration(pipeline.job_of(record), arguments.calibration)
        written["calibration"] = _said("calibration", made)
    return written


def _said(what: str, path: Any) -> str:
    """Print what was written, and where."""
    print(f"{what}: {path}")
    return str(path)


def _warn_of(record: "Record", exposure_s: float) -> None:
    """Say so where another exposure is asked for than one that prints the part right."""
    low, high = (record.quality.get(name, math.nan) for name in ("shortest_s", "longest_s"))
    planned = record.patterns.exposure_s
    if low <= exposure_s <= high or not (math.isfinite(exposure_s) and exposure_s > 0):  # the latter is an error, later
        return
    said = f"warning: --exposure {exposure_s:.6g} gives {amount(exposure_s / planned, 3)} of the planned dose"
    if low <= high:
        until = f"to {amount(high, 4)} s" if math.isfinite(high) else "s on"
        tell(f"{said}; the print is right from {amount(low, 4)} {until}, planned are {amount(planned, 4)} s.")
    elif exposure_s != planned:
        tell(f"{said}; no exposure prints every voxel right, the planned {amount(planned, 4)} s are closest.")


def _volumes(record: "Record", arguments: argparse.Namespace) -> str:
    """Whose volume was given, where the file's is another: a mesh scaled in the job is written in its own size."""
    from lightlathe.flow.part_frame import VIAL, part_frame

    scale = (VIAL if arguments.frame == "vial" else part_frame(record)).scale
    if abs(scale - 1) < 1e-6:
        return ""
    return (
        f"\n  that is the volume printed in the vial; the file has the mesh's own size, scale = {scale:.6g} undone, "
        f"and {amount(scale**-3, 4)} times that volume"
    )
