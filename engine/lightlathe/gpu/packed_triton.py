"""How a function in Triton leaves a volume in the form of packed.py."""

import triton
import triton.language as tl

# voxels of a program's tile across and along, and its warps: small ones, many at a time (benchmarks/GPU.md)
ACROSS, DEEP, WARPS = 4, 32, 2


@triton.jit
def tile(nx, ny, nz, circle, ACROSS: tl.constexpr, DEEP: tl.constexpr):
    """Of a program's tile x, y, z, each along its own axis; which voxels exist, and which of them lie in the vial."""
    x = tl.program_id(2) * ACROSS + tl.arange(0, ACROSS)[:, None, None]
    y = tl.program_id(1) * ACROSS + tl.arange(0, ACROSS)[None, :, None]
    z = tl.program_id(0) * DEEP + tl.arange(0, DEEP)[None, None, :]
    exist = (x < nx) & (y < ny) & (z < nz)
    x2, y2 = 2 * x - nx + 1, 2 * y - ny + 1
    return x, y, z, exist, exist & (x2 * x2 + y2 * y2 <= circle)


@triton.jit
def lay_out(values, wet, most, by_x, by_y, nx, ny, nz, ACROSS: tl.constexpr, DEEP: tl.constexpr):
    """Stores the values of a tile, zeros where not `wet`; `most` as in LaidOut, the scale that of the dose kernels."""
    exponent = (tl.load(most).to(tl.int32, bitcast=True) >> 23) & 255
    scale = (tl.minimum(267 - exponent, 253) << 23).to(tl.float32, bitcast=True)
    half = (tl.where(wet, values, 0.0) * scale).to(tl.float16)
    octets = (nz + 7) // 8
    z = tl.program_id(0) * DEEP + tl.arange(0, DEEP)[None, None, :]
    inner = tl.program_id(2) * ACROSS + tl.arange(0, ACROSS)[None, :, None]
    outer = tl.program_id(1) * ACROSS + tl.arange(0, ACROSS)[:, None, None]
    to = ((outer.to(tl.int64) * octets + z // 8) * nx + inner) * 8 + z % 8
    held = (outer < ny) & (inner < nx) & (z < 8 * octets)
    tl.store(by_x + to, tl.permute(half, (1, 0, 2)), mask=held)
    inner = tl.program_id(1) * ACROSS + tl.arange(0, ACROSS)[None, :, None]
    outer = tl.program_id(2) * ACROSS + tl.arange(0, ACROSS)[:, None, None]
    to = ((outer.to(tl.int64) * octets + z // 8) * ny + inner) * 8 + z % 8
    held = (outer < nx) & (inner < ny) & (z < 8 * octets)
    tl.store(by_y + to, half, mask=held)


def grid_of(shape: tuple[int, int, int]) -> tuple[int, int, int]:
    """Programs along z, y and x: neighbours along z run together and share what memory hands out at once."""
    nx, ny, nz = shape
    return triton.cdiv(nz, DEEP), triton.cdiv(ny, ACROSS), triton.cdiv(nx, ACROSS)
