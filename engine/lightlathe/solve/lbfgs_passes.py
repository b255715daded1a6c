"""The arithmetic of solver bounded_lbfgs in plain torch.

The pairs lie as rows: `changes` (pair, level) of the patterns, `bends` (pair, level) of the gradient; floating, or the
bits of bfloat16 as int16, a dtype that files know.
"""

from typing import NamedTuple

import torch
from torch import Tensor

from lightlathe.solve.step_rules import dot, free

CHUNK = {"cpu": 2**18}  # numbers of a temporary copy while inner products are taken: what a cache holds
LARGE_CHUNK = 2**24  # on cards


class Products(NamedTuple):
    """Inner products of the pairs S, Y and the gradient q over the levels free to move, in float64."""

    change_change: Tensor  # (pair,) the diagonal of S'S
    change_bend: Tensor  # (pair, pair) S'Y
    bend_bend: Tensor  # (pair, pair) Y'Y
    change_load: Tensor  # (pair,) S'q
    bend_load: Tensor  # (pair,) Y'q
    load: Tensor  # q'q
    size: Tensor  # sum |q|


def stored(memory: Tensor) -> Tensor:
    """The numbers of a memory of pairs, as they lie there."""
    return memory.view(torch.bfloat16) if memory.dtype == torch.int16 else memory


def compared(tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor) -> tuple[Tensor, ...]:
    """0-d float64, for s the change from x and t that of the gradient.

    <gradient, s>, <s, t>, <s, s>, <t, t>, sum |tried|, sum |x|
    """
    change, bend = tried - x, tried_gradient - gradient
    sizes = (part.abs().sum().to(torch.float64) for part in (tried, x))
    return dot(gradient, change), dot(change, bend), dot(change, change), dot(bend, bend), *sizes


def learnt(
    accepted: Tensor, keep: Tensor, slot: Tensor, tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor,
    changes: Tensor, bends: Tensor, *, limit: float,
) -> Products:  # fmt: skip
    """Writes the newest pair into row `slot` (1,) where `keep`, in place for want of memory, and takes the products.

    q is the gradient of the point gone on from, which is `tried` where `accepted`.
    Doing it twice from one state gives the same: an interrupt does no harm.
    """
    changes, bends = stored(changes), stored(bends)
    for memory, vector in ((changes, tried - x), (bends, tried_gradient - gradient)):
        row = torch.where(keep, vector.flatten().to(memory.dtype), memory.index_select(0, slot)[0])
        memory.index_copy_(0, slot, row[None])
    x, gradient = torch.where(accepted, tried, x), torch.where(accepted, tried_gradient, gradient)
    movable = free(x, gradient, limit)
    total: list[Tensor] = []
    for piece in _pieces(changes):
        mask = movable.flatten()[piece]
        s, y = changes[:, piece].to(x.dtype) * mask, bends[:, piece].to(x.dtype) * mask
        q = gradient.flatten()[piece] * mask
        new = [(s * s).sum(1), s @ y.T, y @ y.T, s @ q, y @ q, q @ q, q.abs().sum()]
        total = [t.to(torch.float64) + (total[i] if total else 0) for i, t in enumerate(new)]
    return Products(*total)


def _pieces(pairs: Tensor) -> list[slice]:
    """Levels, some at a time, to hold no second copy of the pairs."""
    width = max(1, CHUNK.get(pairs.device.type, LARGE_CHUNK) // len(pairs))
    return [slice(start, start + width) for start in range(0, pairs.shape[1], width)]


def combined(
    accepted: Tensor, tried: Tensor, x: Tensor, gradient: Tensor, direction: Tensor, changes: Tensor, bends: Tensor,
    on_load: Tensor, on_changes: Tensor, on_bends: Tensor, step: Tensor, *, limit: float,
) -> tuple[Tensor, Tensor, Tensor]:  # fmt: skip
    """The direction, clip(x + step * direction), and the x gone on from.

    The direction is -(on_load * q + on_changes S + on_bends Y) on the free levels; the old one where not `accepted`.
    gradient   of the x gone on from
    """
    x = torch.where(accepted, tried, x)
    movable = free(x, gradient, limit)
    flat = (gradient * movable).flatten() * on_load.to(x.dtype)
    for memory, factors in ((stored(changes), on_changes.to(x.dtype)), (stored(bends), on_bends.to(x.dtype))):
        for piece in _pieces(memory):
            flat[piece] += factors @ memory[:, piece].to(x.dtype)
    fresh = flat.reshape(x.shape).mul_(movable).neg_()
    direction = torch.where(accepted, fresh, direction)
    return direction, (x + direction * step.to(x.dtype)).clamp_(0, limit), x
