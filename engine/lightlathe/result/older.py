"""Upgrades records and figures of older format versions to the current one.

Version 1: no motion in the settings, the figures are of images that stand still; figures on the finer grid leave out
the tolerance band; neither /fine nor /part/whole.
Version 2: doses are not rounded, and checksums are of all bytes at once (checksums.py); nothing to upgrade.
"""

import dataclasses
from typing import Any

from lightlathe.result.record import Record

STANDING = (
    "The figures of this file take the vial to stand still under each image. `lightlathe predict FILE --motion "
    "continuous` says what prints where it turns on meanwhile."
)


def upgraded(record: Record, version: int) -> Record:
    """A record in the current form.

    One of version 1 keeps the motion of its figures, "stepped", with a warning that says so.
    """
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


def figures_of_today(figures: dict[str, float], settings: dict[str, Any], version: int) -> dict[str, float]:
    """Figures under their current names: `_fine` of a job with a tolerance band was what `_fine_judged` is now."""
    design = settings.get("design", {})
    if version >= 2 or not (design.get("tolerance_mm") or design.get("tolerance_voxels")):
        return figures
    return {f"{name}_judged" if name.endswith("_fine") else name: value for name, value in figures.items()}
