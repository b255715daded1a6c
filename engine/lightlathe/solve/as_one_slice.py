"""A linear map whose slices light couples, as a map of one large slice: for bounds on all slices at once."""

from collections.abc import Callable

import torch
from torch import Tensor

from lightlathe.errors import ShapeError
from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import Target


class OneSlice(LinearMap):
    """Patterns (angle, column * row, 1) -> dose (x, y * z, 1): the numbers of `whole` where they lie in memory.

    One slice is independent of others, whatever light does within it. `copies` of it lie side by side, as slices do
    that have the same optics; each is a product of its own, so nothing of the size of the volume is copied for them
    but what they give.
    """

    def __init__(self, whole: LinearMap, copies: int = 1) -> None:
        self.whole, self.copies = whole, copies
        self.device, self.dtype, self.gain = whole.device, whole.dtype, whole.gain

    @property
    def pattern_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        angles, columns, rows = self.whole.pattern_shape
        return angles, columns * rows, self.copies

    @property
    def dose_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        nx, ny, nz = self.whole.dose_shape
        return nx, ny * nz, self.copies

    @property
    def slices_independent(self) -> bool:
        return True

    def of_slices(self, index: Tensor) -> "OneSlice":
        """ShapeError for a number of another slice than the one there is."""
        if bool((index != 0).any()):
            raise ShapeError(f"slices {index.tolist()} of a map of one; expected 0 alone.")
        return OneSlice(self.whole, len(index))

    def __call__(self, patterns: Tensor) -> Tensor:
        return self._each(self.whole, patterns, self.whole.pattern_shape)

    def transpose(self, dose: Tensor) -> Tensor:
        return self._each(self.whole.transpose, dose, self.whole.dose_shape)

    def _each(self, product: Callable[[Tensor], Tensor], x: Tensor, shape: tuple[int, int, int]) -> Tensor:
        made = [product(x[..., k].reshape(shape).contiguous()).flatten(1) for k in range(self.copies)]
        return torch.stack(made, 2) if self.copies > 1 else made[0][:, :, None]


def one_slice(volume: Tensor) -> Tensor:
    """(x, y, z) -> (x, y * z, 1), where it lies."""
    return volume.flatten(1)[:, :, None]


def target_of(target: Target) -> Target:
    """The voxels of both classes as `OneSlice` has them."""
    return Target(one_slice(target.solid), one_slice(target.liquid))
