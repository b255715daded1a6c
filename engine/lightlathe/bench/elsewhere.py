"""A machine that is only known by its bench file: for `lightlathe check --machine`."""

from pathlib import Path

from lightlathe.bench.report import read_bench
from lightlathe.errors import ResultError
from lightlathe.feasibility import Machine
from lightlathe.feasibility.measured import speeds_in


def machine_from(path: Path) -> Machine:
    """Memory and speed of the machine that a bench file was measured on; ResultError where the file does not say.

    The speeds are those of whole iterations, by their size.
    """
    result = read_bench(path)
    try:
        found, card = result["machine"], result["machine"].get("card")
        device = str(found["device"]).partition(":")[0]
        return Machine(
            device,
            float(found["memory_free_bytes"]),
            speeds_in(result),
            f"the machine of {path.name} ({card or found['processor']})",
        )
    except (KeyError, TypeError, AttributeError, ValueError, ZeroDivisionError) as problem:
        raise ResultError(
            f"{path}: the bench file lacks what the check needs ({problem!r}); expected device, memory_free_bytes and "
            "rows with voxels, angles and iteration_s. Measure that machine again: lightlathe bench."
        ) from None
