"""Sparse maps between images and views on cards, in one pass: each number is the sum of a few others.

Plain torch passes over the light several times for each number that is added up; here it is read and written once.
Sums run tap after tap, so repeats are bit-equal. With TRITON_INTERPRET=1 the functions run on the CPU, slowly.
"""

import os
from functools import lru_cache

import torch
from torch import Tensor

ROWS, ALONG = 8, 128  # numbers of a program: across what is gathered, and along it


def serve(x: Tensor) -> bool:
    """True where functions in Triton take x. TRITON_INTERPRET=1 lets them run on the CPU."""
    return _runs(x.device.type, x.dtype, os.environ.get("TRITON_INTERPRET") == "1")


@lru_cache
def _runs(device: str, dtype: torch.dtype, interpreted: bool) -> bool:
    if dtype not in (torch.float32, torch.float64) or not (device == "cuda" or (device == "cpu" and interpreted)):
        return False
    try:
        import triton  # noqa: F401
    except ImportError:
        return False
    return True


def rows(x: Tensor, table: Tensor, weight: Tensor, targets: int) -> Tensor:
    """out (batch, target, angle, row, z) of x (batch, source, angle, row, z): sums over taps of weight times a row.

    table    (3, target, tap, row) int32: the source, how many angles further on (round the turn), the row
    weight   (target, tap, row) in the dtype of x; the sum is over the taps
    """
    from lightlathe.dose.gathers_triton import gather_rows

    batch, _, angles, rows_in, nz = x.shape
    taps, rows_out = weight.shape[-2:]
    out = x.new_empty(batch, targets, angles, rows_out, nz)
    if out.numel():
        grid = (-(-rows_out // ROWS) * angles, -(-nz // ALONG), batch * targets)
        gather_rows[grid](
            x.contiguous(), table, weight, out, x.shape[1], targets, angles, rows_in, rows_out, nz, table[0].numel(),
            TAPS=taps, ROWS=ROWS, ALONG=ALONG,
        )  # fmt: skip
    return out


def along(x: Tensor, index: Tensor, weight: Tensor) -> Tensor:
    """out (.., i) = sum over k of weight[k, i] * x[.., index[k, i]]; index (tap, out) int32."""
    from lightlathe.dose.gathers_triton import gather_along

    taps, count = weight.shape
    out = x.new_empty(*x.shape[:-1], count)
    if out.numel():
        lines = out.numel() // count
        gather_along[(-(-lines // ROWS), -(-count // ALONG))](
            x.contiguous(), index, weight, out, lines, x.shape[-1], count, TAPS=taps, ROWS=ROWS, ALONG=ALONG
        )
    return out
