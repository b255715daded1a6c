"""What the design will take on this machine."""

import math

from lightlathe.judge.case import Case
from lightlathe.judge.verdict import Reason

HOUR_S = 3600.0


def voxels(case: Case) -> int:
    """Voxels of the job's grid: the whole vial across, the part and two voxels either end in height."""
    across = math.ceil(2 * case.vial_radius_mm / case.voxel_mm)
    return across * across * (math.ceil(case.part_height_mm / case.voxel_mm) + 4)


def design_bytes(case: Case) -> float:
    """Memory of the design: float32 arrays that the solver holds at once."""
    patterns = case.angles * case.columns * case.rows
    return 4.0 * (case.pattern_copies * patterns + case.volume_copies * voxels(case))


def design_s(case: Case) -> float:
    """Time of the design: one product with the operator and one with its transpose each iteration. NaN if unknown."""
    if case.updates_per_s is None:
        return math.nan
    return 2.0 * case.iterations * voxels(case) * case.angles / case.updates_per_s


def effort(case: Case) -> Reason:
    """Memory and time of the design."""
    need, time = design_bytes(case), design_s(case)
    text = f"{voxels(case) / 1e6:.2g} million voxels, {case.angles} images: the design takes about {need / 1e9:.2g} GB"
    if not math.isnan(time):
        text += f" and {time:.2g} s" if time < 120 else f" and {time / 60:.2g} min"
    free = case.memory_free_bytes
    if free is not None and need > 0.8 * free:
        factor = (need / free) ** (1 / 3) * 1.1
        return Reason(
            "effort",
            "cannot work" if need > 1.5 * free else "marginal",
            f"{text}; {free / 1e9:.2g} GB are free here.",
            need,
            free,
            "bytes",
            f"voxels and pixels {factor:.2g} times as large, a solver that keeps fewer copies, or a bigger machine.",
        )
    if time > HOUR_S:
        change = f"voxels and pixels {(time / HOUR_S) ** 0.25:.2g} times as large, or a graphics card."
        return Reason("effort", "marginal", f"{text}.", time, HOUR_S, "s", change)
    return Reason("effort", "will work", f"{text}.", need, free, "bytes")
