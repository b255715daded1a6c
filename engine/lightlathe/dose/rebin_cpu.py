"""Rebinning on the CPU, compiled: torch's gathers write every intermediate array, and take five times as long there."""

import numpy as np
import torch
from numba import njit
from torch import Tensor

from lightlathe.support.threads import share_out

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})


def forward(patterns: Tensor, image: Tensor, weight: Tensor, finer: int) -> Tensor:
    """Views (..., set and angle, bin, row) of patterns (..., angle, column, row): as `Rebinning.forward`."""
    angles, rows = patterns.shape[-3], patterns.shape[-1]
    sets, _, bins = image.shape
    out = torch.empty(*patterns.shape[:-3], sets * angles, bins, rows, dtype=patterns.dtype)
    given, made = _batch(patterns), out.numpy().reshape(-1, sets * angles, bins, rows)
    for x, y in zip(given, made, strict=True):
        share_out(
            lambda first, last, x=x, y=y: spread(x, y, image.numpy(), weight.numpy(), finer, first, last),
            sets * angles,
            max_items=64,
        )
    return out


def transpose(views: Tensor, image: Tensor, weight: Tensor, finer: int) -> Tensor:
    """The exact transpose: every pattern sums what it lit in one fixed order."""
    sets, _, bins = image.shape
    angles, columns, rows = views.shape[-3] // sets, (bins + 1) // finer - 1, views.shape[-1]
    out = torch.empty(*views.shape[:-3], angles, columns, rows, dtype=views.dtype)
    given, made = _batch(views), out.numpy().reshape(-1, angles, columns, rows)
    for x, y in zip(given, made, strict=True):
        share_out(
            lambda first, last, x=x, y=y: gather(x, y, image.numpy(), weight.numpy(), finer, first, last),
            angles,
            max_items=64,
        )
    return out


def _batch(x: Tensor) -> np.ndarray:
    return x.detach().contiguous().numpy().reshape(-1, *x.shape[-3:])


@fast
def spread(x, y, image, weight, finer, first, last):
    """Views first to last of y. Bin i lies (i + 1) % finer parts beyond column (i + 1) // finer - 1."""
    angles, columns, rows = x.shape
    for view in range(first, last):
        part, angle = view // angles, view % angles
        for i in range(y.shape[1]):
            y[view, i] = 0
            near, beyond = (i + 1) // finer - 1, (i + 1) % finer
            for tap in range(image.shape[1]):
                if weight[part, tap, i] == 0:
                    continue
                a = (angle + image[part, tap, i]) % angles
                for far in range(2):
                    column, parts = near + far, beyond if far else finer - beyond
                    if parts > 0 and 0 <= column < columns:
                        w = weight[part, tap, i] * parts / finer
                        for row in range(rows):
                            y[view, i, row] += w * x[a, column, row]


@fast
def gather(x, y, image, weight, finer, first, last):
    """Angles first to last of y: column j is lit in the bins less than a column from it."""
    angles, columns, rows = y.shape
    for angle in range(first, last):
        for column in range(columns):
            y[angle, column] = 0
            middle = (column + 1) * finer - 1
            for part in range(image.shape[0]):
                for i in range(middle - finer + 1, middle + finer):
                    for tap in range(image.shape[1]):
                        if weight[part, tap, i] == 0:
                            continue
                        view = part * angles + (angle - image[part, tap, i]) % angles
                        w = weight[part, tap, i] * (finer - abs(i - middle)) / finer
                        for row in range(rows):
                            y[angle, column, row] += w * x[view, i, row]
