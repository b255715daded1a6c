"""Sparse linear maps along the column axis of images: columns onto bins that are finer, wider or elsewhere."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose import gathers
from lightlathe.dose.taps import Taps


@dataclass(frozen=True)
class Across:
    """Images (..., column, row) -> (..., bin, row) by `taps` (bin <- column), the same at every angle; and back.

    Memory: the output; in plain torch also one tap's worth of it. Repeats are bit-equal.
    """

    taps: Taps
    back: Taps

    @staticmethod
    def of(taps: Taps) -> "Across":
        return Across(taps, taps.transposed())

    def to(self, device: torch.device, dtype: torch.dtype) -> "Across":
        return Across(self.taps.to(device, dtype), self.back.to(device, dtype))

    @property
    def most(self) -> float:
        """No bin is brighter than the brightest column times this, where weights are 0 or more."""
        return float(self.taps.weight.abs().sum(0).amax())

    def forward(self, x: Tensor) -> Tensor:
        return _apply(self.taps, x)

    def transpose(self, x: Tensor) -> Tensor:
        """The exact transpose of `forward`."""
        return _apply(self.back, x)


def _apply(taps: Taps, x: Tensor) -> Tensor:
    if gathers.serve(x):
        made = gathers.rows(x.reshape(1, 1, -1, *x.shape[-2:]), taps.table, taps.weight[None], 1)
        return made.reshape(*x.shape[:-2], *made.shape[-2:])
    if x.device.type == "cpu":
        from lightlathe.dose.across_cpu import apply

        return apply(taps.index, taps.weight, x)
    return _plain(taps, x)


def _plain(taps: Taps, x: Tensor) -> Tensor:
    """Tap after tap, on any device."""
    total = None
    for index, weight in zip(taps.index, taps.weight, strict=True):
        term = x.index_select(-2, index).mul_(weight[:, None])
        total = term if total is None else total.add_(term)
    assert total is not None
    return total
