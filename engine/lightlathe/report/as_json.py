"""What the summary says, as plain values for JSON: figures with full precision, sentences as they are."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from lightlathe.families import Resin
from lightlathe.judge import outcome_of
from lightlathe.report.summary import assumed
from lightlathe.result import Record
from lightlathe.support.plain import finite


def as_json(
    record: Record, path: Path, resin: Resin, exposure: Sequence[str], cautions: Sequence[str]
) -> dict[str, Any]:
    """Names of figures are those of the result file; None for one that is no finite number.

    resin      as it behaves over this exposure
    exposure   lines on the exposure and its margins
    """
    grid, patterns, outcome = record.part.grid, record.patterns, outcome_of(record.quality)
    return {
        "name": record.name,
        "result": str(path),
        "outcome": outcome.level,
        "reasons": list(outcome.reasons),
        "exit_code": outcome.exit_code,
        "quality": finite(record.quality),
        "voxel_mm": grid.voxel_mm,
        "shape": list(grid.shape),
        "vial_radius_mm": record.vial_radius_mm,
        "exposure_s": patterns.exposure_s,
        "turns": patterns.turns,
        "images": len(patterns.angle_rad),
        "irradiance_mw_cm2": patterns.irradiance_mw_cm2,
        "liquid_below_mj_cm3": resin.liquid_below_mj_cm3,
        "gel_mj_cm3": resin.gel_mj_cm3,
        "solid_above_mj_cm3": resin.solid_above_mj_cm3,
        "exposure": list(exposure),
        "warnings": list(record.warnings),
        "assumptions": list(assumed(record, resin)),
        "cautions": list(cautions),
        "facts": {name: value.tolist() if hasattr(value, "tolist") else value for name, value in record.facts.items()},
    }
