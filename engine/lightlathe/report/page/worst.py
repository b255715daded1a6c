"""The places of a print where most is at stake: where the slices of a page open, and its buttons lead."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.judge.order import slabs
from lightlathe.quantities import LIQUID, SOLID, FineShape, Volume
from lightlathe.result import Record
from lightlathe.support.words import amount


@dataclass(frozen=True)
class Place:
    """A point of the vial, the middle of a voxel, and why it is of interest."""

    words: str
    at_mm: tuple[float, float, float]
    dose_mj_cm3: float = math.nan


def places(record: Record, gel_mj_cm3: float) -> list[Place]:
    """The worst place first: the voxel of the job's own grid whose dose lies furthest on the wrong side of the gel
    dose, or, where none does, nearest to it. Then the other class's; then the slices with most wrong voxels on the
    finer grid.

    Ties go to the first voxel in C order. Empty where nothing is judged.
    """
    part, dose = record.part, record.prediction.dose
    weak, strong = _extreme(dose, part.judged, SOLID), _extreme(dose, part.judged, LIQUID)
    found = []
    for hit, words in ((weak, "least dose in the part"), (strong, "most dose outside the part")):
        if hit is not None:
            value, index = hit
            said = f"{words}: {amount(value, 4)} mJ/cm³"
            found.append((_urgency(hit is strong, value, gel_mj_cm3), Place(said, _centre(part.grid, index), value)))
    ordered = [place for _, place in sorted(found, key=lambda one: -one[0])]
    if record.fine is not None and record.prediction.fine_solid is not None:
        ordered += _most_wrong(record.fine, record.prediction.fine_solid)
    return ordered


def wrong(judged: Tensor, solid: Tensor) -> Tensor:
    """Bool: voxels of the part that stay liquid, and others that turn solid."""
    return (judged == SOLID) & ~solid | (judged == LIQUID) & solid


def _urgency(outside: bool, dose: float, gel: float) -> float:
    """How many times the dose is on the wrong side of the gel dose; below 1 it is on the right side."""
    if gel <= 0:
        return math.inf if outside and dose > 0 else 0.0
    return dose / gel if outside else (gel / dose if dose > 0 else math.inf)


def _extreme(dose: Volume, judged: Volume, value: int) -> tuple[float, tuple[int, int, int]] | None:
    """The least dose of SOLID voxels, or the largest of LIQUID ones, and its voxel."""
    sign = 1 if value == SOLID else -1
    best, at, first = math.inf, None, 0
    for some_dose, some_judged in slabs(dose, judged):
        signed = torch.where(some_judged == value, sign * some_dose, torch.inf)
        least = int(signed.argmin())
        if float(signed.flatten()[least]) < best:
            best = float(signed.flatten()[least])
            i, j, k = (int(n) for n in torch.unravel_index(torch.tensor(least), signed.shape))
            at = (first + i, j, k)
        first += len(some_dose)
    return None if at is None else (sign * best, at)


def _most_wrong(fine: FineShape, solid: Volume) -> list[Place]:
    """Where the three slices cross that each hold most wrong voxels of the finer grid."""
    along = [torch.zeros(n, dtype=torch.int64) for n in fine.grid.shape]
    first = 0
    for judged, made in slabs(fine.judged, solid):
        off = wrong(judged, made)
        along[0][first : first + len(off)] = off.sum((1, 2)).cpu()
        along[1] += off.sum((0, 2)).cpu()
        along[2] += off.sum((0, 1)).cpu()
        first += len(off)
    if not int(along[0].sum()):
        return []
    index = tuple(int(counts.argmax()) for counts in along)
    words = f"most wrong voxels of {fine.grid.voxel_mm:g} mm in one slice: {int(along[2].max())}"
    return [Place(words, _centre(fine.grid, index))]


def _centre(grid: object, index: tuple[int, ...]) -> tuple[float, float, float]:
    x, y, z = (float(grid.centres_mm(axis)[n]) for axis, n in enumerate(index))  # pyright: ignore[reportAttributeAccessIssue]
    return x, y, z
