"""Arrays in 8 bits a number, in Triton: codes made and read, four in a word, products of words. See eight_bits.py.

Codes are whole numbers of -128 to 127 in two's complement; as int32 only their lowest 8 bits count.
"""

import triton
import triton.language as tl

from lightlathe.solve import eight_bits

TINY, MOST = tl.constexpr(eight_bits.TINY), tl.constexpr(eight_bits.MOST)


@triton.jit
def rounded(values):
    """int32 of numbers below 2^22."""
    return (values + 12582912.0).to(tl.int32, bitcast=True) - 0x4B400000  # 1.5 * 2^23 more is rounded to whole numbers


@triton.jit
def codes(values, most):
    """int32 of the numbers of a block whose largest modulus is `most`."""
    none = most <= TINY
    return rounded(values * tl.where(none, 0.0, MOST / tl.where(none, 1.0, most)))


@triton.jit
def codes_of_16(values, most):
    """Two codes a number, int32, the high one and the low: values are scale_of(most) times (high + low / 256)."""
    none = most <= TINY
    whole = rounded(values * tl.where(none, 0.0, 256.0 * MOST / tl.where(none, 1.0, most)))
    return whole + 128 >> 8, whole  # low, in its 8 bits, is the way from the nearest multiple of 256, which is high


@triton.jit
def scale_of(most):
    """Of the codes of a block; for numbers alone, as the largest of a block passes over what is none."""
    return tl.where(most <= TINY, 0.0, most / MOST)


@triton.jit
def numbers_of(codes):
    """float32 of codes of which all other bits are 0: as bits they are 2^23 + 128 more."""
    return (codes ^ 0x4B000080).to(tl.float32, bitcast=True) - 8388736.0


@triton.jit
def words(codes):
    """(thread,) int32 of (thread, 4) codes, the first in the lowest 8 bits."""
    return tl.sum((codes & 255) << (8 * tl.arange(0, 4))[None, :], 1)


@triton.jit
def dot(a, b, PLAIN: tl.constexpr):
    """Sum of the products of the four codes of each word, as float32, exact. PLAIN: where an interpreter lacks it."""
    total = tl.full(a.shape, 0x4B400000, tl.int32)  # as bits 1.5 * 2^23, to which whole numbers are added as they are
    if PLAIN:
        for k in tl.static_range(4):  # pyright: ignore
            total += (a << (24 - 8 * k) >> 24) * (b << (24 - 8 * k) >> 24)
    else:
        total = tl.inline_asm_elementwise(
            "dp4a.s32.s32 $0, $1, $2, $3;", "=r,r,r,r", [a, b, total], dtype=tl.int32, is_pure=True, pack=1
        )
    return total.to(tl.float32, bitcast=True) - 12582912.0
