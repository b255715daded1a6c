"""The kernels of gathers.py."""

import triton
import triton.language as tl


@triton.jit
def gather_rows(
    x, table, weight, out, sources, targets, angles, rows_in, rows_out, nz, entries,
    TAPS: tl.constexpr, ROWS: tl.constexpr, ALONG: tl.constexpr,
):  # fmt: skip
    """ROWS rows of one angle of one target, ALONG numbers of each. `entries` numbers in each part of the table."""
    blocks = tl.cdiv(rows_out, ROWS)
    angle = tl.program_id(0) // blocks
    i = tl.program_id(0) % blocks * ROWS + tl.arange(0, ROWS)
    z = tl.program_id(1) * ALONG + tl.arange(0, ALONG)
    batch, target = tl.program_id(2) // targets, tl.program_id(2) % targets
    there, wanted = i < rows_out, z < nz
    total = tl.zeros((ROWS, ALONG), x.dtype.element_ty)
    for k in range(TAPS):
        at = (target * TAPS + k) * rows_out + i
        w = tl.load(weight + at, mask=there, other=0.0)
        source = tl.load(table + at, mask=there, other=0)
        image = (angle + tl.load(table + entries + at, mask=there, other=0)) % angles
        row = tl.load(table + 2 * entries + at, mask=there, other=0)
        plane = (batch * sources + source).to(tl.int64) * angles + image
        where = (plane * rows_in + row)[:, None] * nz + z[None, :]
        total += w[:, None] * tl.load(x + where, mask=(w != 0.0)[:, None] & wanted[None, :], other=0.0)
    plane = (batch * targets + target).to(tl.int64) * angles + angle
    where = (plane * rows_out + i)[:, None] * nz + z[None, :]
    tl.store(out + where, total, mask=there[:, None] & wanted[None, :])


@triton.jit
def gather_along(
    x, index, weight, out, lines, count_in, count, TAPS: tl.constexpr, ROWS: tl.constexpr, ALONG: tl.constexpr
):
    """ROWS lines, ALONG numbers of each."""
    line = tl.program_id(0).to(tl.int64) * ROWS + tl.arange(0, ROWS)
    i = tl.program_id(1) * ALONG + tl.arange(0, ALONG)
    there, wanted = line < lines, i < count
    total = tl.zeros((ROWS, ALONG), x.dtype.element_ty)
    for k in range(TAPS):
        w = tl.load(weight + k * count + i, mask=wanted, other=0.0)
        at = tl.load(index + k * count + i, mask=wanted, other=0)
        where = line[:, None] * count_in + at[None, :]
        total += w[None, :] * tl.load(x + where, mask=there[:, None] & (w != 0.0)[None, :], other=0.0)
    tl.store(out + line[:, None] * count + i[None, :], total, mask=there[:, None] & wanted[None, :])
