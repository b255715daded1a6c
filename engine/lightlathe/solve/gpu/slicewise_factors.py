"""The two loops of solver slicewise_lbfgs on inner products, a slice a thread; see solve/reference/slicewise.py."""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.triton_helpers import launch
from lightlathe.solve.reference.slicewise import Products


@triton.jit(do_not_specialize=["nz"])
def _factors(gram, size, levels, valid, slot, made, nz, first_change, PAIRS: tl.constexpr, SLICES: tl.constexpr):
    """The two loops, a slice a thread, all in float64; gram (row, row, slice), made (row, slice)."""
    rows: tl.constexpr = 2 * PAIRS + 1
    z = tl.program_id(0) * SLICES + tl.arange(0, SLICES)
    there = z < nz
    newest = tl.load(slot).to(tl.int32)
    nothing = tl.zeros((SLICES,), tl.float64)
    alpha, on_changes = (), ()
    for _ in tl.static_range(PAIRS):  # pyright: ignore
        alpha += (nothing,)
        on_changes += (nothing,)
    scale, some = nothing, nothing
    for j in range(PAIRS):
        s = (newest - j + PAIRS) % PAIRS
        curvature = tl.load(gram + (s * rows + PAIRS + s) * nz + z, mask=there, other=0.0)
        yy = tl.load(gram + (PAIRS + s) * (rows + 1) * nz + z, mask=there, other=1.0)
        change = tl.load(gram + s * (rows + 1) * nz + z, mask=there, other=0.0)
        counts = (tl.load(valid + s * nz + z, mask=there, other=0) != 0) & (curvature > 1e-10 * tl.sqrt(change * yy))
        at = tl.load(gram + (s * rows + 2 * PAIRS) * nz + z, mask=there, other=0.0)
        for i in tl.static_range(PAIRS):  # pyright: ignore
            at -= alpha[i] * tl.load(gram + (s * rows + PAIRS + i) * nz + z, mask=there, other=0.0)
        at = tl.where(counts, at / tl.where(counts, curvature, 1.0), 0.0)
        sooner = ()
        for i in tl.static_range(PAIRS):  # pyright: ignore
            sooner += (tl.where(z * 0 + s == i, at, alpha[i]),)
        alpha = sooner
        scale = tl.where(counts & (some == 0.0), curvature / yy, scale)
        some = tl.where(counts, 1.0, some)
    naive = first_change * tl.load(levels + z, mask=there, other=0.0)
    naive /= tl.maximum(tl.load(size + z, mask=there, other=1.0), 1e-300)
    scale = tl.where(some == 0.0, naive, scale)
    for j in range(PAIRS):
        s = (newest + 1 + j) % PAIRS  # the oldest first
        curvature = tl.load(gram + (s * rows + PAIRS + s) * nz + z, mask=there, other=0.0)
        yy = tl.load(gram + (PAIRS + s) * (rows + 1) * nz + z, mask=there, other=1.0)
        change = tl.load(gram + s * (rows + 1) * nz + z, mask=there, other=0.0)
        counts = (tl.load(valid + s * nz + z, mask=there, other=0) != 0) & (curvature > 1e-10 * tl.sqrt(change * yy))
        load = tl.load(gram + ((PAIRS + s) * rows + 2 * PAIRS) * nz + z, mask=there, other=0.0)
        own, seen = nothing, nothing
        for i in tl.static_range(PAIRS):  # pyright: ignore
            load -= alpha[i] * tl.load(gram + ((PAIRS + s) * rows + PAIRS + i) * nz + z, mask=there, other=0.0)
            seen += on_changes[i] * tl.load(gram + (i * rows + PAIRS + s) * nz + z, mask=there, other=0.0)
            own = tl.where(z * 0 + s == i, alpha[i], own)
        beta = (scale * load + seen) / tl.where(counts, curvature, 1.0)
        later = ()
        for i in tl.static_range(PAIRS):  # pyright: ignore
            later += (tl.where((z * 0 + s == i) & counts, own - beta, on_changes[i]),)
        on_changes = later
    steepness = scale * tl.load(gram + 2 * PAIRS * (rows + 1) * nz + z, mask=there, other=0.0)
    for i in tl.static_range(PAIRS):  # pyright: ignore
        steepness += on_changes[i] * tl.load(gram + (i * rows + 2 * PAIRS) * nz + z, mask=there, other=0.0)
        steepness -= scale * alpha[i] * tl.load(gram + ((PAIRS + i) * rows + 2 * PAIRS) * nz + z, mask=there, other=0.0)
    downhill = steepness > 0.0
    for i in tl.static_range(PAIRS):  # pyright: ignore
        tl.store(made + i * nz + z, tl.where(downhill, on_changes[i], 0.0), mask=there)
        tl.store(made + (PAIRS + i) * nz + z, tl.where(downhill, -scale * alpha[i], 0.0), mask=there)
    tl.store(made + 2 * PAIRS * nz + z, tl.where(downhill, scale, 1.0), mask=there)


def factors(found: Products, valid: Tensor, slot: Tensor, *, first_change: float) -> Tensor:
    rows, _, nz = found.gram.shape
    made = torch.empty(rows, nz, device=valid.device, dtype=torch.float64)
    launch(
        _factors, (triton.cdiv(nz, 32),), found.gram.contiguous(), found.size, found.levels, valid.view(torch.uint8),
        slot, made, nz, float(first_change), PAIRS=len(valid), SLICES=32, num_warps=1,
    )  # fmt: skip
    return made
