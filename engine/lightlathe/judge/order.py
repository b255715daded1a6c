"""Exact order statistics of huge volumes without sorting or copying them.

The bits of a non-negative float32 grow with its value, so two rounds of counting (high bits, then the low bits of
one bucket) find any order statistic exactly, slab by slab, in a few MB beside the volume.
"""

import math
from collections.abc import Iterator, Sequence

import torch
from torch import Tensor

LOW_BITS = 12  # 2^19 buckets of relative width 2^-11, then 2^12 values in one bucket
BUCKETS = 1 << (31 - LOW_BITS)
SLAB_VOXELS = 1 << 24  # a slab of 16 million voxels: about 0.3 GB of scratch


def slabs(*volumes: Tensor) -> Iterator[tuple[Tensor, ...]]:
    """The volumes cut alike along x into slabs of at most SLAB_VOXELS (one x layer at least)."""
    nx = volumes[0].shape[0]
    step = max(1, SLAB_VOXELS * nx // max(1, volumes[0].numel()))
    for start in range(0, nx, step):
        yield tuple(volume[start : start + step] for volume in volumes)


def _bits(dose: Tensor) -> Tensor:
    """int32 that grow with the dose; negative doses (rounding) count as 0."""
    return dose.float().clamp(min=0).add(0.0).view(torch.int32)


def histogram(dose: Tensor, judged: Tensor, value: int) -> Tensor:
    """(BUCKETS,) int64 on the CPU: voxels with judged == value in each bucket of dose (see `edges`)."""
    counts = torch.zeros(BUCKETS, dtype=torch.int64, device=dose.device)
    for part_dose, part_judged in slabs(dose, judged):
        chosen = _bits(part_dose[part_judged == value])
        counts += torch.bincount(chosen >> LOW_BITS, minlength=BUCKETS)[:BUCKETS]
    return counts.cpu()


def edges() -> Tensor:
    """(BUCKETS,) float32: the lowest dose of each bucket."""
    return (torch.arange(BUCKETS, dtype=torch.int32) << LOW_BITS).clamp(max=0x7F7FFFFF).view(torch.float32)


def received_by(dose: Tensor, judged: Tensor, value: int, shares: Sequence[float], counts: Tensor) -> list[float]:
    """Dose received by at least each share of the voxels with judged == value (D_v of dose-volume curves).

    `counts` is their `histogram`. NaN for each if there are no such voxels.
    """
    total = int(counts.sum())
    if total == 0:
        return [float("nan")] * len(shares)
    at_or_below = counts.cumsum(0)
    # 0 is the smallest; the tolerance keeps 0.07 * 100 = 7.000...01 at 7
    ranks = [total - max(1, math.ceil(share * total * (1 - 1e-12))) for share in shares]
    buckets = [int(torch.searchsorted(at_or_below, rank, right=True)) for rank in ranks]
    fine = {bucket: torch.zeros(1 << LOW_BITS, dtype=torch.int64, device=dose.device) for bucket in buckets}
    for part_dose, part_judged in slabs(dose, judged):
        chosen = _bits(part_dose[part_judged == value])
        high = chosen >> LOW_BITS
        for bucket, count in fine.items():
            low = chosen[high == bucket] & ((1 << LOW_BITS) - 1)
            count += torch.bincount(low, minlength=1 << LOW_BITS)
    found = []
    for rank, bucket in zip(ranks, buckets, strict=True):
        before = int(at_or_below[bucket - 1]) if bucket else 0
        low = int(torch.searchsorted(fine[bucket].cpu().cumsum(0), rank - before, right=True))
        bits = torch.tensor([(bucket << LOW_BITS) | low], dtype=torch.int32)
        found.append(float(bits.view(torch.float32)[0]))
    return found
