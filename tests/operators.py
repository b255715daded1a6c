"""The dose operators of tests, their matrices, and how far numbers lie apart."""

import math
from dataclasses import replace

import numpy as np
import torch
from torch import Tensor

from lightlathe.beams import Telecentric
from lightlathe.beams.telecentric import full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.quantities import Chords, Grid, Optics


def operator(
    shape: tuple[int, int, int] = (4, 5, 2),  # unlike sizes: a swapped axis cannot hide
    voxel: float = 0.5,
    *,
    angles: int = 3,
    columns: int = 7,
    rows: int = 2,
    pixel: float = 0.5,
    row: float | None = None,
    radius: float = 1.5,
    absorption: float = 0.4,
    first_rad: float = 0.3,
    axis_offset: float = 0.0,
    bend: float = 0.0,
    chords: Chords | None = None,
    gain: float | None = None,
    **backend,
) -> DoseOperator:
    """Parallel light, or `chords`, on a grid; float64 unless told.

    row: the height of a row, where it is not the pixel's. bend: the turn of a chord per mm of its offset; such chords
    are spread and dimmed towards the rim too.
    """
    if chords is None:
        chords = Telecentric().chords(
            angle_rad=full_turn(angles, first_rad), columns=columns, rows=rows, pixel_mm=pixel,
            axis_offset_mm=axis_offset,
        )  # fmt: skip
    if row is not None:
        chords = replace(chords, row_mm=row)
    if bend:
        s = chords.offset_mm
        chords = replace(chords, offset_mm=s + 0.05 * s**3, deflection_rad=bend * s, transmittance=1 - 0.1 * s.abs())
    backend.setdefault("dtype", torch.float64)
    return DoseOperator(Optics(chords, radius, absorption), Grid(shape, voxel), Backend(**backend), gain=gain)


def dense(linear, shape: tuple[int, ...], dtype: torch.dtype = torch.float64) -> Tensor:
    """The matrix of a linear map: one column per entry of its input."""
    basis = torch.eye(math.prod(shape), dtype=dtype).reshape(-1, *shape)
    return torch.stack([linear(e).flatten() for e in basis], dim=1)


def random(shape: tuple[int, ...], dtype: torch.dtype = torch.float64, seed: int = 0) -> Tensor:
    return torch.randn(shape, generator=torch.Generator().manual_seed(seed), dtype=torch.float64).to(dtype)


def gap(found: Tensor | np.ndarray, wanted: Tensor | np.ndarray) -> float:
    """How far numbers are off, as a share of the norm of those that are wanted."""
    found, wanted = (np.asarray(x.detach().double().cpu() if isinstance(x, Tensor) else x) for x in (found, wanted))
    return float(np.linalg.norm(found - wanted) / max(np.linalg.norm(wanted), 1e-300))
