"""Volumes in larger voxels, slab by slab, so that a volume of 1024^3 needs no copy.

A block at the end of an axis may be smaller than the others; its mean is over the voxels that it has.
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from lightlathe.quantities import Volume

Slab = Callable[[np.ndarray], np.ndarray]


def mean_of(volumes: tuple[Volume, ...], step: int, full: float, values: Callable[..., np.ndarray]) -> np.ndarray:
    """uint8 (x, y, z): the mean of `values(*slabs)` over blocks of step^3 voxels, 255 for `full`.

    volumes   all (x, y, z), cut alike along x; `values` is given arrays and returns float of the same shape
    """

    def block(slab: np.ndarray) -> np.ndarray:
        total = _summed(slab, step)
        return np.rint(total * (255 / full) / _sizes(slab.shape, step)).clip(0, 255)

    return _pooled(volumes, step, lambda *slabs: block(values(*slabs)))


def bits_of(volumes: tuple[Volume, ...], step: int, values: Callable[..., np.ndarray]) -> np.ndarray:
    """uint8 (x, y, z): the bits of `values(*slabs)` that are set anywhere in a block of step^3 voxels: none is lost."""

    def block(slab: np.ndarray) -> np.ndarray:
        once = np.bitwise_or.reduce(slab, 0)
        return np.bitwise_or.reduceat(
            np.bitwise_or.reduceat(once, range(0, once.shape[0], step), 0), range(0, once.shape[1], step), 1
        )

    return _pooled(volumes, step, lambda *slabs: block(values(*slabs)))


def means(volume: Volume, step: int, values: Slab = lambda slab: slab) -> np.ndarray:
    """float32 (x, y, z): the mean of `values(slab)` over blocks of step^3 voxels."""

    def block(slab: np.ndarray) -> np.ndarray:
        return _summed(slab, step) / _sizes(slab.shape, step)

    return _pooled((volume,), step, lambda slab: block(values(slab)), np.float32)


def centres_mm(count: int, voxel_mm: float, step: int) -> tuple[float, float]:
    """Centre of the first block and distance between blocks along an axis of `count` voxels, in the vial frame."""
    return ((step - 1) / 2 - (count - 1) / 2) * voxel_mm, step * voxel_mm


def _pooled(volumes: tuple[Volume, ...], step: int, block: Callable[..., np.ndarray], dtype: Any = np.uint8) -> Any:
    nx, ny, nz = volumes[0].shape
    made = np.empty([-(-n // step) for n in (nx, ny, nz)], dtype)
    for i in range(len(made)):
        made[i] = block(*(volume[i * step : (i + 1) * step].cpu().numpy() for volume in volumes))
    return made


def _summed(slab: np.ndarray, step: int) -> np.ndarray:
    once = slab.sum(0, dtype=np.float64)
    if step == 1:
        return once
    return np.add.reduceat(np.add.reduceat(once, range(0, once.shape[0], step), 0), range(0, once.shape[1], step), 1)


def _sizes(shape: tuple[int, ...], step: int) -> np.ndarray:
    """How many voxels each block of a slab has."""
    along = [np.minimum(step, n - np.arange(0, n, step)) for n in shape[1:]]
    return shape[0] * np.multiply.outer(*along)
