"""Upgrades records and figures of older format versions to the current one.

Version 1: no motion in the settings, the figures are of images that stand still; figures on the finer grid leave out
the tolerance band; neither /fine nor /part/whole.
Version 2: doses are not rounded, and checksums are of all bytes at once (checksums.py); nothing to upgrade.
Files of any version from before inserts cast shadows lack the key `opaque` of an insert: light passed through it.
"""

import dataclasses
from typing import Any

from lightlathe.result.record import Record

STANDING = (
    "The figures of this file take the vial to stand still under each image. `lightlathe predict FILE --motion "
    "continuous` says what prints where it turns on meanwhile."
)

THROUGH = "The figures of this file take light to pass through the insert: it was designed before inserts cast shadows."


def upgraded(record: Record, version: int) -> Record:
    """A record in the current form.

    One of version 1 keeps the motion of its figures, "stepped", and one from before shadows its inserts that light
    passes through, with warnings that say so.
    """
    record = _seen_through(record)
    if version >= 2:
        return record
    settings = {**record.settings, "turn": {**record.settings["turn"], "motion": "stepped"}}
    quality = figures_of_today(record.quality, settings, version)
    return dataclasses.replace(
        record,
        settings=settings,
        prediction=dataclasses.replace(record.prediction, quality=quality),
        warnings=(*record.warnings, STANDING),
    )


def _seen_through(record: Record) -> Record:
    """A record whose inserts are told to be opaque or not."""
    parts = record.settings.get("part")
    if not isinstance(parts, list) or not any(_lacks_opaque(part) for part in parts):
        return record
    told = [{**part, "opaque": False} if _lacks_opaque(part) else part for part in parts]
    return dataclasses.replace(record, settings={**record.settings, "part": told}, warnings=(*record.warnings, THROUGH))


def _lacks_opaque(part: Any) -> bool:
    return isinstance(part, dict) and part.get("role") == "insert" and "opaque" not in part  # None where it absorbs


def figures_of_today(figures: dict[str, float], settings: dict[str, Any], version: int) -> dict[str, float]:
    """Figures under their current names: `_fine` of a job with a tolerance band was what `_fine_judged` is now."""
    design = settings.get("design", {})
    if version >= 2 or not (design.get("tolerance_mm") or design.get("tolerance_voxels")):
        return figures
    return {f"{name}_judged" if name.endswith("_fine") else name: value for name, value in figures.items()}
