"""Sparse maps between images and views on cards, in one pass: each number is the sum of a few others.

Plain torch passes over the light several times for each number that is added up; here it is read and written once.
Sums run tap after tap, so repeats are bit-equal. In Triton, with TRITON_INTERPRET=1 on the CPU, slowly; along rows in
CUDA where that compiles, three times as fast on an H200. (Across rows Triton is the faster of the two there.)
"""

import logging
import os
from functools import lru_cache
from pathlib import Path

import torch
from torch import Tensor

from lightlathe.errors import KernelUnavailable

log = logging.getLogger(__name__)

ROWS, ALONG = 8, 128  # numbers of a program: across what is gathered, and along it
LINES, MOST_TAPS = 16, 24  # as in cuda_rows.cu; taps that the registers of a thread hold


def serve(x: Tensor) -> bool:
    """True where these functions take x. TRITON_INTERPRET=1 lets them run on the CPU."""
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

    table    (3, target, tap, row) int32: the source, how many angles further on (0 to angles - 1, round the turn), the
             row
    weight   (target, tap, row) in the dtype of x; the sum is over the taps
    """
    batch, sources, angles, rows_in, nz = x.shape
    taps, rows_out = weight.shape[-2:]
    out = x.new_empty(batch, targets, angles, rows_out, nz)
    if not out.numel():
        return out
    from lightlathe.dose.gathers_triton import gather_rows
    from lightlathe.gpu.triton_helpers import launch

    grid = (-(-rows_out // ROWS) * angles, -(-nz // ALONG), batch * targets)
    launch(
        gather_rows, grid, x.contiguous(), table, weight, out, sources, targets, angles, rows_in, rows_out, nz,
        table[0].numel(), TAPS=taps, ROWS=ROWS, ALONG=ALONG,
    )  # fmt: skip
    return out


def along(x: Tensor, index: Tensor, weight: Tensor) -> Tensor:
    """out (.., i) = sum over k of weight[k, i] * x[.., index[k, i]]; index (tap, out) int32."""
    taps, count = weight.shape
    out = x.new_empty(*x.shape[:-1], count)
    if not out.numel():
        return out
    lines, given = out.numel() // count, x.contiguous()
    program = _program(x.device, taps, x.dtype) if x.is_cuda and taps <= MOST_TAPS else None
    if program is not None:
        with torch.cuda.device(x.device):
            grid = (-(-lines // LINES), -(-count // ALONG))
            program.launch("along", grid, (ALONG,), 0, given, index, weight, out, lines, x.shape[-1], count)
        return out
    from lightlathe.dose.gathers_triton import gather_along
    from lightlathe.gpu.triton_helpers import launch

    grid = (-(-lines // ROWS), -(-count // ALONG))
    launch(gather_along, grid, given, index, weight, out, lines, x.shape[-1], count, TAPS=taps, ROWS=ROWS, ALONG=ALONG)
    return out


@lru_cache(maxsize=32)
def _program(device: torch.device, taps: int, dtype: torch.dtype):
    """kernels/cuda_rows.cu for so many taps; None where it cannot be compiled."""
    from lightlathe.dose.kernels.cuda_runtime import Program

    source = (Path(__file__).parent / "kernels" / "cuda_rows.cu").read_text()
    capability = "".join(map(str, torch.cuda.get_device_capability(device)))
    try:
        with torch.cuda.device(device):
            return Program(source, f"sm_{capability}", TAPS=taps, DOUBLE=int(dtype == torch.float64))
    except (KernelUnavailable, OSError) as error:
        log.info("sums along rows on %s: by Triton, since %s", device, error)
        return None
