"""Arrays in 8 bits a number: in blocks of 128, each of which has a scale of its own (float32).

A quarter of the memory and of what a card reads; each number is off by at most 1 / 254 of the largest in its block.
From memory: in plan as format MXINT8 of the OCP Microscaling Formats specification (v1.0, 2023), whose blocks are of 32
numbers and whose scales are powers of two.
"""

import torch
from torch import Tensor

from lightlathe.solve.moves import Coded

BLOCK = 128
MOST = 127.0
TINY = 1e-33  # a block whose largest number is no larger is taken for zero, as 256 * 127 / number must be finite


def blocks_of(count: int) -> int:
    return -(-count // BLOCK)


def encoded(values: Tensor) -> Coded:
    """(blocks, 128) int8 and (blocks,) float32 of (count,) numbers, zeros behind them."""
    blocks = blocks_of(values.numel())
    padded = torch.nn.functional.pad(values.to(torch.float32), (0, blocks * BLOCK - values.numel()))
    padded = padded.reshape(blocks, BLOCK)
    most = padded.abs().amax(1)
    some = ~(most <= TINY)  # what is not a number stays so, in its scale
    codes = (padded * torch.where(some, MOST / most, 0.0)[:, None]).round_().nan_to_num_(0.0)
    return Coded(codes.to(torch.int8), torch.where(some, most / MOST, 0.0))


def decoded(codes: Tensor, scales: Tensor, dtype: torch.dtype) -> Tensor:
    """(..., blocks, 128) numbers of int8 codes of that shape and the (..., blocks) scales."""
    return codes.to(dtype).mul_(scales.to(dtype)[..., None])
