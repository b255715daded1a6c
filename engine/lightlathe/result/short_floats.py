"""Doses as the result file holds them: float32 whose last bits are zero, so that they pack to half the size.

A dose of 24 binary digits is known to 1 part in 10^7; lamps, resins and their measurement are good for 1 in 100. The
digits that are left out are noise to a packer, and would be most of the file.
"""

import numpy as np
import torch
from torch import Tensor

KEPT_BITS = 12  # of the 23 that float32 stores of its mantissa
RELATIVE_ERROR = 2.0 ** -(KEPT_BITS + 1)  # at most, 1.2e-4; of numbers below 1.2e-38 (subnormal) more
DROPPED = 23 - KEPT_BITS
HALF, MASK = np.uint32(1 << (DROPPED - 1)), np.uint32(0xFFFFFFFF << DROPPED & 0xFFFFFFFF)
EXPONENT, HUGE = np.uint32(0xFF << 23), np.uint32(0xFE << 23)  # its bits; those of 1.7e38 and more


def shortened_tensor(values: Tensor) -> Tensor:
    """`shortened` of a float32 tensor, on its device."""
    bits = values.contiguous().view(torch.int32)
    rounded = (bits + int(HALF)) & -(1 << DROPPED)
    huge = (bits & int(EXPONENT)) >= int(HUGE)
    return torch.where(huge, bits, rounded).view(torch.float32)


def shortened(values: np.ndarray) -> np.ndarray:
    """float32 rounded to the nearest with KEPT_BITS, halves away from 0; from 1.7e38 on they stay as they are.

    Order is kept: of two numbers the larger is not the smaller afterwards. Rounding again changes nothing.
    """
    bits = np.ascontiguousarray(values, np.float32).view(np.uint32)
    rounded = bits + HALF
    rounded &= MASK
    exponent = bits & EXPONENT
    if exponent.size and exponent.max() >= HUGE:  # infinite or no number among them
        rounded = np.where(exponent >= HUGE, bits, rounded)
    return rounded.view(np.float32)
