"""The arithmetic of solver bounded_lbfgs in plain torch; products with the pairs on a CPU by lbfgs_cpu.py.

The pairs lie in 8 bits a number (eight_bits.py), (block, row, 128), the rows of one block together: row k is a change
of the patterns, row memory + k the change of the gradient that went with it.
"""

from typing import NamedTuple

import torch
from torch import Tensor

from lightlathe.solve.eight_bits import BLOCK, decoded, encoded
from lightlathe.solve.moves import Coded, Move, Stepped
from lightlathe.solve.step_rules import free
from lightlathe.support.sums import dot, exact_total

CHUNK = 2**24  # numbers of a temporary copy while inner products are taken


class Products(NamedTuple):
    """In float64, of S (changes), Y (changes of the gradient) and the gradient q over the levels free to move."""

    gram: Tensor  # (2 pairs + 1, 2 pairs + 1) of the rows of S, those of Y, and q; of S with S the diagonal alone
    size: Tensor  # sum |q|
    levels: Tensor  # sum of the levels at the point to continue from


def learnt(move: Move, learn: Tensor, slot: Tensor, change: Coded, pairs: Coded, *, limit: float) -> Products:
    """Where `learn`, writes the newest pair into `slot` (1,), in place to save memory; takes the products.

    change   of the move, as `combined` gave it
    q is the gradient at the point to continue from. Repeating it from the same state gives the same.
    """
    gradient_change = encoded((move.tried.gradient - move.before.gradient).flatten())
    rows = pairs.scales.shape[1]
    for row, new in ((slot, change), (slot + rows // 2, gradient_change)):
        for memory, values in zip(pairs, new, strict=True):
            memory.index_copy_(1, row, torch.where(learn, values[:, None], memory.index_select(1, row)))
    at = move.outcome()
    gram, size = _gram(*pairs, at.gradient, free(*at, limit))
    return Products(gram, size, exact_total(at.patterns))


def _gram(pairs: Tensor, scales: Tensor, gradient: Tensor, movable: Tensor) -> tuple[Tensor, Tensor]:
    """`gram` and `size` of Products."""
    if gradient.device.type == "cpu":
        from lightlathe.solve.lbfgs_cpu import gram

        return gram(pairs, scales, gradient, movable)
    return gram_in_pieces(pairs, scales, gradient, movable)


def gram_in_pieces(pairs: Tensor, scales: Tensor, gradient: Tensor, movable: Tensor) -> tuple[Tensor, Tensor]:
    """The same in plain torch."""
    rows, device = scales.shape[1], gradient.device
    gram = torch.zeros(rows + 1, rows + 1, device=device, dtype=torch.float64)
    size = torch.zeros((), device=device, dtype=torch.float64)
    for piece in _pieces(scales):
        mask = _in_blocks(movable, piece)
        q = _in_blocks(gradient, piece) * mask
        seen = decoded(pairs[piece], scales[piece], gradient.dtype).mul_(mask)
        gram[:rows, :rows] += torch.bmm(seen, seen.mT).sum(0)
        gram[rows, :rows] += torch.bmm(seen, q.mT).sum(0)[:, 0]
        gram[rows, rows] += q.square().sum()
        size += q.abs().sum()
    gram[:rows, rows] = gram[rows, :rows]
    m = rows // 2
    gram[:m, :m] = gram.diagonal()[:m].diag()
    return gram, size


def _curves_upward(gram: Tensor) -> Tensor:
    """(pair,) whether the loss curves upward along a pair's free part."""
    m, squares = len(gram) // 2, gram.diagonal()
    return gram.diagonal(m)[:m] > 1e-10 * torch.sqrt(squares[:m] * squares[m:-1])


def factors(
    products: Products, age: Tensor, slot: Tensor, first: Tensor, *, first_change: float
) -> tuple[Tensor, Tensor]:
    """Factors of the rows of S, of those of Y and of q in H q, and the age of the pairs; all small.

    age     (pair,) serial numbers, 0: none. Unless `first`, pair `slot` (1,) is new: it counts if the loss curves
            upward along it
    The two-loop recursion as two triangular solves.

    With S, Y the free parts of the pairs, oldest first: alpha solves triu(S'Y) alpha = S'q, beta solves
    tril(Y'S) beta = c Y'(q - Y alpha) + tril(Y'S, -1) alpha, and H q = c (q - Y alpha) + S (alpha - beta).
    Without pairs H q is the gradient, scaled so that its sum of moduli is `first_change` of that of the levels; where
    rounding has turned H q uphill it is the gradient as it is.
    """
    number = torch.where(_curves_upward(products.gram).index_select(0, slot), age.amax() + 1, 0)
    age = age.index_copy(0, slot, torch.where(first, age.index_select(0, slot), number))
    m, order = len(age), age.argsort()
    rows = torch.cat([order, order + m, torch.full_like(order[:1], 2 * m)])
    gram = products.gram[rows][:, rows]
    change_bend, bend_bend, load = gram[:m, m:-1], gram[m:-1, m:-1], gram[-1]
    valid = (age[order] > 0) & _curves_upward(gram)
    both = valid[:, None] & valid[None, :]
    sy = torch.where(both, change_bend, torch.eye(m, device=age.device, dtype=torch.float64))
    alpha = _triangular(sy, torch.where(valid, load[:m], 0.0), upper=True)

    newest = torch.where(valid, torch.arange(m, device=age.device), -1).amax()
    at = newest.clamp(min=0).reshape(1)
    learnt = (change_bend.diagonal() / bend_bend.diagonal()).index_select(0, at)[0]
    naive = first_change * products.levels / products.size.clamp(min=1e-300)
    scale = torch.where(newest >= 0, learnt, naive)

    lower = sy.T.tril(-1)
    right = scale * (load[m:-1] - bend_bend @ alpha) + lower @ alpha
    beta = _triangular(sy.T, torch.where(valid, right, 0.0), upper=False)

    found = torch.cat([alpha - beta, -scale * alpha, scale.reshape(1)])
    downhill = found @ load > 0  # <q, H q>
    found = torch.where(downhill, found, torch.cat([torch.zeros_like(load[:-1]), torch.ones_like(load[:1])]))
    back = torch.empty_like(rows).scatter_(0, rows, torch.arange(2 * m + 1, device=age.device))
    return found[back], age


def _triangular(matrix: Tensor, right: Tensor, *, upper: bool) -> Tensor:
    return torch.linalg.solve_triangular(matrix.triu() if upper else matrix.tril(), right[:, None], upper=upper)[:, 0]


def combined(move: Move, pairs: Coded, factors: Tensor, step: Tensor, *, limit: float) -> Stepped:
    """trial = clip(patterns + step * direction). On a card the trial of the move and its gradient may be written over.

    factors   (2 pairs + 1,) of the rows of S, those of Y, and q
    The direction is -(factors [S, Y, q]) on the free levels.
    """
    at = move.outcome()
    x, gradient = at
    by_q, weights = factors[-1].to(x.dtype), (factors[:-1] * pairs.scales).to(x.dtype)
    direction = _mixed(weights, pairs.codes).flatten()[: x.numel()].reshape(x.shape)
    direction = direction.add_(gradient * by_q).mul_(free(x, gradient, limit))
    trial = (x - step.to(x.dtype) * direction).clamp_(0, limit)
    change = trial - x
    return Stepped(at, trial, dot(gradient, change), encoded(change.flatten()))


def _mixed(weights: Tensor, pairs: Tensor) -> Tensor:
    """(blocks, 128): the rows of each block of `pairs`, times their weights (blocks, rows), added up."""
    if weights.device.type == "cpu":
        from lightlathe.solve.lbfgs_cpu import mixed

        return mixed(weights, pairs)
    return mixed_in_pieces(weights, pairs)


def mixed_in_pieces(weights: Tensor, pairs: Tensor) -> Tensor:
    """The same in plain torch."""
    total = torch.empty(len(weights), 1, BLOCK, device=weights.device, dtype=weights.dtype)
    for piece in _pieces(weights):
        total[piece] = torch.bmm(weights[piece][:, None], pairs[piece].to(weights.dtype))
    return total[:, 0]


def _pieces(scales: Tensor) -> list[slice]:
    """The blocks, some at a time, to hold no copy of the pairs."""
    blocks, rows = scales.shape
    some = max(1, CHUNK // rows // BLOCK)
    return [slice(start, start + some) for start in range(0, blocks, some)]


def _in_blocks(values: Tensor, piece: slice) -> Tensor:
    """(blocks, 1, 128) of a piece, zeros behind the last number."""
    flat = values.flatten()[piece.start * BLOCK : piece.stop * BLOCK]
    return torch.nn.functional.pad(flat, (0, -len(flat) % BLOCK)).reshape(-1, 1, BLOCK)
