"""A machine that is only known by its bench file: for `lightlathe check --machine`."""

from pathlib import Path
from typing import Any

from lightlathe.bench.report import read_bench
from lightlathe.errors import ResultError
from lightlathe.feasibility import Machine


def machine_from(path: Path) -> Machine:
    """Memory and speed of the machine that a bench file was measured on; ResultError where the file does not say.

    The speed is that of the whole iteration at the largest size timed: two products of voxels times angles each.
    """
    result = read_bench(path)
    try:
        found, card = result["machine"], result["machine"].get("card")
        device = str(found["device"]).partition(":")[0]
        rates = {(row["voxels"], 2 * row["voxels"] ** 3 * row["angles"] / row["iteration_s"]) for row in _timed(result)}
        return Machine(
            device,
            float(found["memory_free_bytes"]),
            max(rates)[1] if rates else None,
            f"the machine of {path.name} ({card or found['processor']})",
        )
    except (KeyError, TypeError, AttributeError, ValueError, ZeroDivisionError) as problem:
        raise ResultError(
            f"{path}: the bench file lacks what the check needs ({problem!r}); expected device, memory_free_bytes and "
            "rows with voxels, angles and iteration_s. Measure that machine again: lightlathe bench."
        ) from None


def _timed(result: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows of whole iterations in the precision that designs take where nothing else is said."""
    rows = [row for row in result["rows"] if row.get("iteration_s") is not None]
    return [row for row in rows if row["precision"] == "half"] or rows
