"""The updates of solver slicewise_lbfgs in plain torch. Every sum is of one slice alone, (slice,) float64.

Arrays as large as the patterns are (angle, column, slice). Curvature pairs are kept in 8 bits a number: blocks of 128
columns of one angle and one slice share a scale, so that a slice never sees another's rounding. Codes lie (..., angle,
padded column / 4, slice, 4), scales (..., angle, block, slice): a GPU reads four columns as one word.
Memory: a copy of the pairs in the patterns' dtype; the fused form takes none.
"""

from typing import NamedTuple

import torch
from torch import Tensor

from lightlathe.solve.moves import Coded, Move, Stepped
from lightlathe.solve.step_rules import free
from lightlathe.support.sums import by_slice

BLOCK = 128  # columns that share a scale
MAX_CODE = 127.0
TINY = 1e-33  # a block whose largest number is no larger counts as zero


class Products(NamedTuple):
    """Inner products of each slice over the free levels.

    gram     (2 pairs + 1, 2 pairs + 1, slice) of the changes of the patterns, those of the gradient, the gradient
    size     (slice,) sum of the moduli of the free gradient
    levels   (slice,) sum of the patterns
    """

    gram: Tensor
    size: Tensor
    levels: Tensor


def empty_pairs(count: int, shape: tuple[int, ...], device: torch.device) -> Coded:
    """Memory for `count` arrays of this shape, all zero."""
    angles, columns, slices = shape
    blocks = -(-columns // BLOCK)
    codes = torch.zeros(count, angles, blocks * BLOCK // 4, slices, 4, device=device, dtype=torch.int8)
    return Coded(codes, torch.zeros(count, angles, blocks, slices, device=device, dtype=torch.float32))


def encoded(values: Tensor) -> Coded:
    """Each number is off by at most 1 / 254 of the largest in its block."""
    angles, columns, slices = values.shape
    if values.device.type == "cpu":
        from lightlathe.solve.slicewise_cpu import encoded

        made = empty_pairs(1, (angles, columns, slices), values.device)
        encoded(values, made.codes[0], made.scales[0])
        return Coded(made.codes[0], made.scales[0])
    return encoded_in_torch(values)


def encoded_in_torch(values: Tensor) -> Coded:
    """The same in plain torch."""
    angles, columns, slices = values.shape
    blocks = -(-columns // BLOCK)
    padded = torch.nn.functional.pad(values.to(torch.float32), (0, 0, 0, blocks * BLOCK - columns))
    padded = padded.reshape(angles, blocks, BLOCK, slices)
    top = padded.abs().amax(2)
    some = ~(top <= TINY)  # NaN propagates, in its scale
    codes = (padded * torch.where(some, MAX_CODE / top, 0.0)[:, :, None]).round_().nan_to_num_(0.0)
    words = codes.to(torch.int8).reshape(angles, -1, 4, slices).movedim(2, 3).contiguous()
    return Coded(words, torch.where(some, top / MAX_CODE, 0.0))


def decoded(coded: Coded, columns: int, dtype: torch.dtype) -> Tensor:
    """(..., angle, column, slice) numbers."""
    scales = coded.scales.to(dtype).repeat_interleave(BLOCK, dim=-2)
    codes = coded.codes.movedim(-1, -2).flatten(-3, -2)  # (..., padded column, slice)
    return (codes.to(dtype) * scales)[..., :columns, :]


def products(move: Move, slot: Tensor, change: Coded, pairs: Coded, *, limit: float) -> Products:
    """Writes the newest pair into `slot`, in place, and returns the products at the point to continue from.

    change   of the move, as `stepped` gave it
    """
    half, gradient_change = len(pairs.codes) // 2, encoded(move.tried.gradient - move.before.gradient)
    for row, new in ((int(slot), change), (int(slot) + half, gradient_change)):
        pairs.codes[row], pairs.scales[row] = new.codes, new.scales
    x, gradient = move.outcome()
    if x.device.type == "cpu":
        from lightlathe.solve.slicewise_cpu import gram

        return Products(*gram(*pairs, gradient, x, limit))
    movable = free(x, gradient, limit)
    q = gradient * movable
    rows = torch.cat([decoded(pairs, x.shape[1], x.dtype) * movable, q[None]]).flatten(1, 2)
    products = torch.stack([(rows * row).sum(1, dtype=torch.float64) for row in rows])
    return Products(products, q.abs().sum((0, 1), dtype=torch.float64), x.sum((0, 1), dtype=torch.float64))


def factors(found: Products, valid: Tensor, slot: Tensor, *, first_change: float) -> Tensor:
    """(2 pairs + 1, slice) factors of the changes, of those of the gradient and of the gradient in the direction H q.

    valid   (pairs, slice) bool: which pairs count; one along which the loss does not curve upward here does not
    slot    0-d: where the newest pair is; older ones lie before it, around the end
    The two loops of L-BFGS on inner products. Without a pair H q is the gradient, scaled so that its sum of moduli is
    `first_change` of that of the levels; where rounding turned H q uphill, it is the gradient as it is.
    """
    gram, m = found.gram, len(valid)
    order = torch.remainder(slot - torch.arange(m, device=valid.device), m)  # newest first
    sy = gram[order][:, order + m]
    ss, yy = gram[order, order], gram[order + m][:, order + m]
    sq, yq, square = gram[order, 2 * m], gram[order + m, 2 * m], gram[2 * m, 2 * m]
    pair = torch.arange(m, device=valid.device)
    curvature, yy_of_pair = sy[pair, pair], yy[pair, pair]
    valid = valid[order] & (curvature > 1e-10 * torch.sqrt(ss * yy_of_pair))
    over = torch.where(valid, 1 / torch.where(valid, curvature, 1.0), 0.0)
    alpha, on_changes = torch.zeros_like(sq), torch.zeros_like(sq)
    for j in range(m):
        alpha[j] = over[j] * (sq[j] - (alpha * sy[j]).sum(0))
    newest = valid.to(torch.int8).argmax(0, keepdim=True)
    learnt = (curvature.gather(0, newest) / yy_of_pair.gather(0, newest).clamp(min=1e-300))[0]
    naive = first_change * found.levels / found.size.clamp(min=1e-300)
    scale = torch.where(valid.any(0), learnt, naive)
    load = scale * (yq - (yy * alpha).sum(1))
    for j in reversed(range(m)):
        beta = over[j] * (load[j] + (on_changes * sy[:, j]).sum(0))
        on_changes[j] = torch.where(valid[j], alpha[j] - beta, 0.0)
    on_bends = -scale * alpha
    downhill = scale * square + (on_changes * sq + on_bends * yq).sum(0) > 0
    made = torch.zeros_like(gram[0])
    made[order], made[order + m], made[2 * m] = on_changes, on_bends, scale
    made[: 2 * m] = torch.where(downhill, made[: 2 * m], 0.0)
    made[2 * m] = torch.where(downhill, made[2 * m], 1.0)
    return made


def stepped(move: Move, pairs: Coded, factors: Tensor, step: Tensor, *, limit: float) -> Stepped:
    """trial = clip(patterns - step * H q), slice by slice. On a GPU the trial of the move and its gradient may be
    overwritten.
    """
    at = move.outcome()
    x, gradient = at
    if x.device.type == "cpu":
        from lightlathe.solve.slicewise_cpu import mixed

        total = mixed(*pairs, factors, gradient)
    else:
        weights = factors.to(x.dtype)
        total = gradient * weights[-1]
        for row, weight in enumerate(weights[:-1]):
            total += decoded(Coded(pairs.codes[row], pairs.scales[row]), x.shape[1], x.dtype) * weight
    trial = (x - step.to(x.dtype) * total * free(x, gradient, limit)).clamp_(0, limit)
    change = trial - x
    return Stepped(at, trial, by_slice((gradient * change).double()), encoded(change))
