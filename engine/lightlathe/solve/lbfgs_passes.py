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
    """Inner products in float64: of the pairs S, Y and the gradient q over the levels free to move, and of the newest
    pair s, t over all levels."""

    change_change: Tensor  # (pair,) the diagonal of S'S
    change_bend: Tensor  # (pair, pair) S'Y
    bend_bend: Tensor  # (pair, pair) Y'Y
    change_load: Tensor  # (pair,) S'q
    bend_load: Tensor  # (pair,) Y'q
    load: Tensor  # q'q
    size: Tensor  # sum |q|
    curved: Tensor  # s't
    moved: Tensor  # s's
    bent: Tensor  # t't
    levels: Tensor  # sum of the levels gone on from


def stored(memory: Tensor) -> Tensor:
    """The numbers of a memory of pairs, as they lie there."""
    return memory.view(torch.bfloat16) if memory.dtype == torch.int16 else memory


def learnt(
    accepted: Tensor, learn: Tensor, slot: Tensor, tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor,
    changes: Tensor, bends: Tensor, *, limit: float,
) -> Products:  # fmt: skip
    """Where `learn`, writes the newest pair into row `slot` (1,), in place for want of memory; takes the products.

    q is the gradient of the point gone on from, which is `tried` where `accepted`.
    Doing it twice from one state gives the same. A card keeps the state of the last logged iteration and the pairs of
    now: a design that is stopped between the two goes on with pairs of a little later.
    """
    changes, bends = stored(changes), stored(bends)
    s, t = tried - x, tried_gradient - gradient
    for memory, vector in ((changes, s), (bends, t)):
        row = torch.where(learn, vector.flatten().to(memory.dtype), memory.index_select(0, slot)[0])
        memory.index_copy_(0, slot, row[None])
    newest = dot(s, t), dot(s, s), dot(t, t)
    x, gradient = torch.where(accepted, tried, x), torch.where(accepted, tried_gradient, gradient)
    movable = free(x, gradient, limit)
    total: list[Tensor] = []
    for piece in _pieces(changes):
        mask = movable.flatten()[piece]
        s, y = changes[:, piece].to(x.dtype) * mask, bends[:, piece].to(x.dtype) * mask
        q = gradient.flatten()[piece] * mask
        new = [(s * s).sum(1), s @ y.T, y @ y.T, s @ q, y @ q, q @ q, q.abs().sum()]
        total = [t.to(torch.float64) + (total[i] if total else 0) for i, t in enumerate(new)]
    return Products._make([*total, *newest, x.sum(dtype=torch.float64)])


def _pieces(pairs: Tensor) -> list[slice]:
    """Levels, some at a time, to hold no second copy of the pairs."""
    width = max(1, CHUNK.get(pairs.device.type, LARGE_CHUNK) // len(pairs))
    return [slice(start, start + width) for start in range(0, pairs.shape[1], width)]


def combined(
    x: Tensor, gradient: Tensor, changes: Tensor, bends: Tensor, on_load: Tensor, on_changes: Tensor, on_bends: Tensor,
    step: Tensor, *, limit: float,
) -> tuple[Tensor, Tensor]:  # fmt: skip
    """trial = clip(x + step * direction), and <gradient, trial - x> in float64.

    The direction is -(on_load * q + on_changes S + on_bends Y) on the free levels.
    """
    movable = free(x, gradient, limit)
    flat = (gradient * movable).flatten() * on_load.to(x.dtype)
    for memory, factors in ((stored(changes), on_changes.to(x.dtype)), (stored(bends), on_bends.to(x.dtype))):
        for piece in _pieces(memory):
            flat[piece] += factors @ memory[:, piece].to(x.dtype)
    trial = (x - step.to(x.dtype) * flat.reshape(x.shape).mul_(movable)).clamp_(0, limit)
    return trial, dot(gradient, trial - x)
