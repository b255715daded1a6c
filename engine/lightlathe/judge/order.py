"""Exact order statistics of huge volumes without sorting or copying them.

The bits of a non-negative float32 grow with its value, so two rounds of counting (high bits, then the low bits of
one bucket) find any order statistic exactly, slab by slab, in a few MB beside the volume.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence

import torch
from torch import Tensor

from lightlathe.quantities import Volume

LOW_BITS = 12  # 2^19 buckets of relative width 2^-11, then 2^12 values in one bucket
BUCKETS = 1 << (31 - LOW_BITS)
SLAB_VOXELS = 1 << 24  # a slab of 16 million voxels: about 0.3 GB of scratch


Pieces = Callable[[], Iterable[tuple[Tensor, ...]]]
"""Gives the (dose, judged) of all voxels in pieces, each a tensor of any shape; the same ones whenever it is called."""


def slabs(*volumes: Volume) -> Iterator[tuple[Tensor, ...]]:
    """The volumes cut alike along x into slabs of at most SLAB_VOXELS (one x layer at least)."""
    nx = volumes[0].shape[0]
    step = max(1, SLAB_VOXELS * nx // max(1, volumes[0].numel()))
    for start in range(0, nx, step):
        yield tuple(volume[start : start + step] for volume in volumes)


def _bits(dose: Tensor) -> Tensor:
    """int32 that grow with the dose; negative doses (rounding) count as 0."""
    return dose.float().clamp(min=0).add(0.0).view(torch.int32)


def pieces_of(dose: Volume, judged: Volume) -> Pieces:
    """Those of whole volumes."""
    return lambda: slabs(dose, judged)


def histograms(pieces: Pieces, values: Sequence[int]) -> list[Tensor]:
    """(BUCKETS,) int64 on the CPU for each value: voxels with judged == value in each bucket of dose (see `edges`)."""
    counts = [torch.zeros(BUCKETS, dtype=torch.int64) for _ in values]
    for dose, judged in pieces():
        for count, value in zip(counts, values, strict=True):
            count += histogram(dose, judged, value)
    return counts


def histogram(dose: Volume, judged: Volume, value: int) -> Tensor:
    """That of one piece or volume."""
    counts = torch.zeros(BUCKETS, dtype=torch.int64, device=dose.device)
    for part_dose, part_judged in slabs(dose, judged):
        chosen = _bits(part_dose[part_judged == value])
        counts += torch.bincount(chosen >> LOW_BITS, minlength=BUCKETS)[:BUCKETS]
    return counts.cpu()


def edges() -> Tensor:
    """(BUCKETS,) float32: the lowest dose of each bucket."""
    return (torch.arange(BUCKETS, dtype=torch.int32) << LOW_BITS).clamp(max=0x7F7FFFFF).view(torch.float32)


def received_by(pieces: Pieces, wanted: Sequence[tuple[int, Sequence[float], Tensor]]) -> list[list[float]]:
    """Dose received by at least each share of the voxels with judged == value (D_v of dose-volume curves).

    wanted   (value, shares, its histogram) for each value. NaN for each share if there are no such voxels
    """
    ranked = [_ranked(shares, counts) for _, shares, counts in wanted]
    fine = [{bucket: torch.zeros(1 << LOW_BITS, dtype=torch.int64) for _, bucket in places} for places in ranked]
    for whole_dose, whole_judged in pieces():
        for (value, _, _), counts in zip(wanted, fine, strict=True):
            for dose, judged in slabs(whole_dose, whole_judged):
                chosen = _bits(dose[judged == value])
                high = chosen >> LOW_BITS
                for bucket, count in counts.items():
                    low = chosen[high == bucket] & ((1 << LOW_BITS) - 1)
                    count += torch.bincount(low, minlength=1 << LOW_BITS).cpu()
    return [
        [_at(bucket, rank, counts[bucket]) for rank, bucket in places] if places else [math.nan] * len(shares)
        for (_, shares, _), places, counts in zip(wanted, ranked, fine, strict=True)
    ]


def _ranked(shares: Sequence[float], counts: Tensor) -> list[tuple[int, int]]:
    """(rank within its bucket, bucket) of the voxel that answers for each share; empty without voxels."""
    total, at_or_below = int(counts.sum()), counts.cumsum(0)
    found = []
    for share in shares if total else ():
        # 0 is the smallest; the tolerance keeps 0.07 * 100 = 7.000...01 at 7
        rank = total - max(1, math.ceil(share * total * (1 - 1e-12)))
        bucket = int(torch.searchsorted(at_or_below, rank, right=True))
        found.append((rank - (int(at_or_below[bucket - 1]) if bucket else 0), bucket))
    return found


def _at(bucket: int, rank: int, counts: Tensor) -> float:
    """The dose of this rank in a bucket, `counts` of whose low bits are known."""
    low = int(torch.searchsorted(counts.cumsum(0), rank, right=True))
    return float(torch.tensor([(bucket << LOW_BITS) | low], dtype=torch.int32).view(torch.float32)[0])
