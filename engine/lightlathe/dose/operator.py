"""The dose operator: patterns -> dose, and its exact adjoint, differentiable to any order."""

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property
from typing import Any

import torch
from torch import Tensor

from lightlathe.checks import has_axes, is_floating, is_on
from lightlathe.dose.backend import Backend
from lightlathe.dose.kernels import choose, takes_shapes
from lightlathe.dose.layers import layers
from lightlathe.dose.linear import Linear
from lightlathe.dose.rebin import Directions
from lightlathe.dose.resample import Resampling
from lightlathe.dose.to_views import shaped
from lightlathe.dose.views import Views
from lightlathe.errors import ShapeError
from lightlathe.families.linear_map import LinearMap
from lightlathe.gpu.forms import value_and_gradient
from lightlathe.gpu.packed import LaidOut
from lightlathe.quantities import Grid, Optics, Target


class DoseOperator(LinearMap):
    """Dose that a full turn of patterns leaves in the resin, as a linear map A and its transpose.

    operator(patterns)       (angle, column, row) 0..1 of full irradiance -> (x, y, z) dose
    operator.transpose(d)    (x, y, z) -> (angle, column, row), with <A p, d> = <p, A' d> in plain sums
                             Either takes a batch, one more axis in front, and gives one: all of it in one pass.

    Each voxel reads every pattern at the column that lights it, attenuated along its path.
    Units     `gain` is the dose that one image at full level leaves where nothing is lost on the way. The default,
              1 / angles, gives the mean over the turn in units of the incident light; for mJ/cm3 pass
              10 * absorption_per_mm * irradiance_mw_cm2 * dwell_s * turns (see `gain_mj_cm3`).
    Axes      z and rows are contiguous; at angle 0 light travels along +y; angles grow right-handed about +z.
    Gradient  linear; autograd works through both directions to any order, and so do torch.func's vjp, jvp and vmap.
    Pickles   yes; the kernel is chosen by its name where it is unpickled, KernelUnavailable where it cannot run.
    Precision "half" lets a GPU kernel round light and weights to 11 bits (3e-4 of random data, 3e-5 of a dose, far
              below 8-bit levels; sums stay in dtype); "single" does not. CPU kernels and the reference never round.
    Memory    independent of the number of angles, inputs and outputs apart; of a batch both are copied once.
    Repeats   bit-equal on one device, except the reference kernel's transpose on CUDA.
    Raises    ShapeError for other axes, dtypes or devices than stated; KernelUnavailable.
    Source    Beer-Lambert law; DEVELOPERS.md, "Dose", has the formula.
    """

    def __init__(
        self,
        optics: Optics,
        grid: Grid,
        backend: Backend = Backend(),  # noqa: B008, it does not change
        *,
        gain: float | None = None,
        directions: Directions = Directions(),  # noqa: B008, it does not change
    ) -> None:
        """directions   of the views that light is sorted into where chords may cross; ignored where they must not."""
        self.optics, self.grid, self.directions = optics, grid, directions
        self.device, self.dtype = torch.device(backend.device), backend.dtype
        self.gain = 1.0 / len(optics.chords.angle_rad) if gain is None else float(gain)
        self._layers = tuple(
            (resampling.to(self.device, self.dtype), views) for resampling, views in self._planned(backend)
        )
        self.resampling, self.views = self._layers[0]
        self.kernel, self._module = choose(backend.kernel, self.views, self.device, self.dtype)
        self.backend = replace(backend, kernel=self.kernel, device=self.device)
        self._light_at_most: float | None = None
        self._rows: slice | None = None

    def _planned(self, backend: Backend) -> list[tuple[Resampling, Views]]:
        """As `layers`, for a kernel that knows the profile of pixels where there is one."""
        found = [
            (resampling, replace(views, precision=backend.precision))
            for resampling, views in layers(self.optics, self.grid, self.directions)
        ]
        pixels = [each for each in (shaped(*layer) for layer in found) if each is not None]
        if len(pixels) == len(found) and all(
            takes_shapes(backend.kernel, views, self.device, self.dtype) for _, views in pixels
        ):
            return pixels
        return found

    @property
    def pattern_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        angles, columns, rows = self.optics.chords.pattern_shape
        return angles, columns, rows if self._rows is None else self._rows.stop - self._rows.start

    @property
    def dose_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        return self.grid.shape

    def scaled(self, gain: float) -> "DoseOperator":
        """The same operator with another gain; shares everything else."""
        return self._twin(gain=float(gain))

    def within(self, light: float) -> "DoseOperator":
        """The same for patterns guaranteed to be in 0..`light`: kernels in float16 skip the search for the largest.

        Brighter patterns leave an infinite dose from some 4 times `light` on. Beyond 1000 the kernels search as before:
        float16 would lose digits of levels about 1.
        """
        return self._twin(_light_at_most=float(light) if light <= 1000 else None)

    def _twin(self, **other: Any) -> "DoseOperator":
        twin = object.__new__(type(self))
        twin.__dict__.update(self.__dict__, **other)
        for found in ("_view_at_most", "_dose_at_most"):
            twin.__dict__.pop(found, None)
        return twin

    def on(self, grid: Grid) -> "DoseOperator":
        """The same light in the same vial on another grid."""
        return DoseOperator(self.optics, grid, self.backend, gain=self.gain, directions=self.directions)

    def slab(self, start: int, stop: int) -> "DoseOperator":
        """The same light on slices start..stop - 1 of the grid alone, of the same patterns: see Grid.slab."""
        return self.on(self.grid.slab(start, stop))

    def of_its_rows(self) -> tuple[slice, "DoseOperator"]:
        """The rows of the patterns that reach this slab, and the same map of those rows alone."""
        within = self.resampling.within
        if within is None:
            return slice(0, self.pattern_shape[2]), self
        rows, (resampling, views) = slice(*within[:2]), self._layers[0]
        alone = replace(resampling, within=None)
        return rows, self._twin(_rows=rows, _layers=((alone, views),), resampling=alone)

    def towards(self, directions: Directions) -> "DoseOperator":
        """The same with other views of light whose chords may cross."""
        return DoseOperator(self.optics, self.grid, self.backend, gain=self.gain, directions=directions)

    @property
    def rebinned(self) -> bool:
        """True where columns differ in direction, and images are sorted into parallel views."""
        return self.resampling.turned is not None

    def of_slices(self, index: Tensor) -> "DoseOperator":
        """The same light for some slices, each lit by a row of its own. ShapeError where slices share rows."""
        if self.row_of_slice is None:
            raise ShapeError("rows of pixels reach into several slices; expected a row for each slice.")
        nx, ny, _ = self.grid.shape
        optics = self.optics.for_slices(index, self.grid)
        grid = Grid((nx, ny, len(index)), self.grid.voxel_mm)
        return DoseOperator(optics, grid, self.backend, gain=self.gain, directions=self.directions)

    def __call__(self, patterns: Tensor) -> Tensor:
        self._check("patterns", patterns, ("angle", "column", "row"), self.pattern_shape)
        # the light is within what was told; what autograd sends back through the transpose need not be
        return Linear.apply(patterns, self._told_forward, self._transpose, self._forward)

    def transpose(self, dose: Tensor | LaidOut) -> Tensor:
        """The exact transpose of the operator, in the plain sum <a, b> = sum(a * b); autograd goes through tensors."""
        if isinstance(dose, LaidOut):
            if not self._takes_laid_out:
                raise ShapeError(f"dose is laid out in halves; kernel '{self.kernel}' expected a tensor here.")
            if dose.shape != self.dose_shape:
                raise ShapeError(f"dose is laid out for {dose.shape} voxels; expected {self.dose_shape}.")
            is_on("dose laid out", dose.most, self.device)
            return self.resampling.transpose(self._module.collect(dose, self.views, self.gain))
        self._check("dose", dose, ("x", "y", "z"), self.dose_shape)
        return Linear.apply(dose, self._transpose, self._forward, self._transpose)

    def workspace(self) -> LaidOut | None:
        """Where a loss may leave its gradient for `transpose`, None where the kernel has no packed format.

        For an operator `within` some light; looks for the largest dose at first use.
        """
        if not self._takes_laid_out or self._light_at_most is None:
            return None
        return self._module.workspace(self.views, self.grid.shape[2], self.device, self._dose_at_most)

    def gradient_of(
        self, loss: Callable[[Tensor, Target], Tensor], dose: Tensor, target: Target
    ) -> tuple[Tensor, Tensor]:
        """Value of a loss at a dose of this operator, and its gradient by the patterns.

        On a card a loss may leave its gradient in the halves that the kernel's transpose reads.
        """
        value, gradient = value_and_gradient(loss, dose, target, self.workspace())
        return value, self.transpose(gradient)

    @property
    def slices_independent(self) -> bool:
        """True where every slice is lit by one row of patterns of its own."""
        maps = [resampling for resampling, _ in self._layers]
        own = all(each.rows is None and (each.tilted is None or each.tilted.rows is None) for each in maps)
        return self.optics.slices_independent and own

    @property
    def row_of_slice(self) -> Tensor | None:
        rows = self.resampling.rows
        if not self.optics.slices_independent or (self.optics.tilt is not None and not self.slices_independent):
            return None
        found = torch.arange(self.grid.shape[2], device=self.device) if rows is None else rows.one_to_one
        within = self.resampling.within
        return found if found is None or within is None else torch.where(found < 0, found, found + within[0])

    @property
    def light_of_slice(self) -> Tensor | None:
        rows, light = self.row_of_slice, self.optics.illumination
        if rows is None or light is None:
            return None
        light = light[:, rows.cpu().clamp(min=0)]
        return None if bool((light == light[:, :1]).all()) else light.to(self.device)

    @property
    def class_of_slice(self) -> Tensor | None:
        if self.optics.tilt is not None:  # each slice reads columns elsewhere
            return torch.arange(self.grid.shape[2], device=self.device)
        found = self.optics.class_of_slice(self.grid)
        return None if found is None else found.to(self.device)

    @property
    def straight_rays(self) -> bool:
        return self.optics.straight_rays

    @property
    def _takes_laid_out(self) -> bool:
        rows_to_slices = self.resampling.rows is not None and self.resampling.late
        return hasattr(self._module, "workspace") and not rows_to_slices and len(self._layers) == 1

    @cached_property
    def _view_at_most(self) -> float | None:
        if self._light_at_most is None:
            return None
        return max(resampling.most(self._light_at_most) for resampling, _ in self._layers)

    @cached_property
    def _dose_at_most(self) -> float:
        light = torch.full(self.pattern_shape, self._light_at_most or 0.0, device=self.device, dtype=self.dtype)
        return float(self._forward(light).amax())

    def __getstate__(self) -> dict[str, Any]:
        return {name: value for name, value in vars(self).items() if name != "_module"}

    def __setstate__(self, state: dict[str, Any]) -> None:
        vars(self).update(state)
        self._module = choose(self.kernel, self.views, self.device, self.dtype)[1]

    def _check(self, name: str, tensor: Tensor, axes: tuple[str, ...], shape: tuple[int, ...]) -> None:
        if isinstance(tensor, Tensor) and tensor.ndim == len(shape) + 1:
            axes, shape = ("batch", *axes), (len(tensor), *shape)
        has_axes(name, tensor, axes, shape)
        is_floating(name, tensor, (self.dtype,))
        is_on(name, tensor, self.device)

    def _forward(self, patterns: Tensor, **told: float) -> Tensor:
        total = None
        for resampling, geometry in self._layers:
            views = resampling.forward(patterns)
            dose = self._module.deposit(_side_by_side(views), geometry, self.gain, **told)
            dose = resampling.in_slices(_apart(dose, views.shape[:-3]))
            total = dose if total is None else total.add_(dose)
        assert total is not None
        return total

    def _told_forward(self, patterns: Tensor) -> Tensor:
        most = self._view_at_most
        return self._forward(patterns) if most is None else self._forward(patterns, most=most)

    def _transpose(self, dose: Tensor) -> Tensor:
        total = None
        for resampling, geometry in self._layers:
            planes = resampling.in_planes(dose)
            views = self._module.collect(_side_by_side(planes), geometry, self.gain)
            patterns = resampling.transpose(_apart(views, planes.shape[:-3]))
            total = patterns if total is None else total.add_(patterns)
        assert total is not None
        return total


def _side_by_side(x: Tensor) -> Tensor:
    """(..., a, b, slice) -> (a, b, all slices): kernels treat every slice alike, so a batch is more of them."""
    return x.contiguous() if x.ndim == 3 else x.flatten(0, -4).permute(1, 2, 0, 3).flatten(2).contiguous()


def _apart(x: Tensor, batch: torch.Size) -> Tensor:
    """Slices of `_side_by_side` back in the batch of this shape."""
    if not batch:
        return x
    return x.unflatten(2, (batch.numel(), -1)).permute(2, 0, 1, 3).contiguous().unflatten(0, batch)


def gain_mj_cm3(absorption_per_mm: float, irradiance_mw_cm2: float, dwell_s: float, turns: float = 1) -> float:
    """Absorbed dose in mJ/cm3 of one full-level image shown `turns` times: mu[1/cm] * I0[mW/cm2] * time[s]."""
    return 10.0 * absorption_per_mm * irradiance_mw_cm2 * dwell_s * turns
