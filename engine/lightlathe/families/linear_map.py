"""What solvers ask of a dose operator."""

import logging
from collections.abc import Callable, Iterator
from typing import Any, Protocol, Self

import torch
from torch import Tensor

from lightlathe.errors import ShapeError
from lightlathe.gpu.forms import value_and_gradient
from lightlathe.quantities import Light, Target

log = logging.getLogger(__name__)


class LinearMap(Protocol):
    """A linear map from patterns (angle, column, row) to a dose (x, y, z) with its exact transpose.

    What a solver needs; subclasses implement the abstract methods.
    """

    device: torch.device
    dtype: torch.dtype
    gain: float
    pattern_shape: tuple[int, int, int]
    dose_shape: tuple[int, int, int]

    def __call__(self, patterns: Tensor) -> Tensor: ...

    def transpose(self, dose: Any) -> Tensor: ...

    def scaled(self, gain: float) -> Self:
        """The same map with another gain."""
        raise ShapeError(f"{type(self).__name__} has no gain of its own; expected a map that can be scaled.")

    def of_slices(self, index: Tensor) -> "LinearMap":
        """The same map for some slices alone, `index` (slice,) int64, each lit by a row of its own; one may occur more
        than once. Where slices are independent.
        """
        raise ShapeError(
            f"{type(self).__name__} has no slices of its own; expected a map whose slices are independent."
        )

    def slab(self, start: int, stop: int) -> "LinearMap":
        """The same patterns -> dose in slices start..stop - 1 alone: those of the whole, bit for bit where rows are
        slices, to rounding elsewhere.
        """
        raise ShapeError(f"{type(self).__name__} knows no slabs; expected a map whose slices lie at some height.")

    def of_its_rows(self) -> "tuple[slice, LinearMap]":
        """The rows of the patterns that reach a slab, and the same map of those rows alone."""
        return slice(0, self.pattern_shape[2]), self

    def within(self, light: float) -> "LinearMap":
        """The same, with the caller's guarantee that patterns lie in 0..`light`."""
        return self

    def gradient_of(
        self, loss: Callable[[Tensor, Target], Tensor], dose: Tensor, target: Target
    ) -> tuple[Tensor, Tensor]:
        """Value of a loss at a dose of this map, and its gradient by the patterns."""
        value, gradient = value_and_gradient(loss, dose, target)
        return value, self.transpose(gradient)

    @property
    def slices_independent(self) -> bool:
        """True where each slice is lit by patterns of its own; for certificates and slicewise solvers."""
        return False

    @property
    def row_of_slice(self) -> Tensor | None:
        """(slice,) int64: the row of patterns that lights each slice, and no other, with all of its light; -1 for a
        slice that no row lights. None where slices share rows or light.
        """
        return torch.arange(self.dose_shape[2], device=self.device) if self.slices_independent else None

    @property
    def light_of_slice(self) -> Tensor | None:
        """(column, slice) the relative irradiance of the row that lights each slice, where slices have rows of their
        own (`row_of_slice`) that are not all illuminated alike; else None. Slices that differ in it need patterns of
        their own, even if they hold the same part.
        """
        return None

    @property
    def class_of_slice(self) -> Tensor | None:
        """(slice,) int64: slices of one class take light in the same way, others need not. None where all do."""
        return None

    @property
    def straight_rays(self) -> bool:
        """True where light runs along the projector's direction; needed by closed-form limits."""
        return False


def doses(linear: LinearMap, patterns: Light, slices: int | None = None) -> Iterator[tuple[slice, Tensor]]:
    """(which slices, their dose on the map's device) of patterns on any device, `slices` of them at a time; None: all.

    Of a slab no more patterns go to the device than the rows that reach it. Where that runs out of memory, slabs are
    halved.
    """
    nz = linear.dose_shape[2]
    if slices is None or slices >= nz:
        yield slice(0, nz), linear(patterns.to(linear.device).contiguous())
        return
    start = 0
    while start < nz:
        stop = min(nz, start + slices)
        rows, slab = linear.slab(start, stop).of_its_rows()
        try:
            dose = slab(patterns[:, :, rows].to(linear.device).contiguous())
        except torch.OutOfMemoryError:
            if slices == 1:
                raise
            log.error("out of memory with %d slices lit at a time; going on with %d", slices, -(-slices // 2))
            slices = -(-slices // 2)
            torch.cuda.empty_cache()
            continue
        yield slice(start, stop), dose
        start = stop
