"""The dose kernel for CPUs: compiled by numba at first use and kept on disk; float32 and float64, all cores.

Deposit shares out tiles of voxel columns among the threads, collect shares out angles. Each number is summed by one
thread in one fixed order, so results are bit-equal from run to run and for any number of threads
(`torch.set_num_threads` sets it). Voxel columns outside the resin, dark views and empty blocks cost nothing.
Slices in which light ends at an insert go through the loops of cpu_ends.py, all others through those of cpu_loops.py.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import torch
from torch import Tensor

from lightlathe.support.threads import share_out


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    if device.type != "cpu":
        return f"it runs on the CPU, not on {device}"
    if dtype not in (torch.float32, torch.float64):
        return f"it computes in float32 or float64, not {dtype}"
    try:
        import numba  # noqa: F401
    except ImportError as error:
        return f"it needs numba, which does not load here ({error})"
    profile = views.profile
    if profile is not None and (profile.support > 1 or views.ends or views.lines or views.spread):
        return (
            "it takes the profile of pixels whose light ends within a column of them, on parallel chords that end "
            f"nowhere; these reach {profile.support:.3g} columns"
        )
    return None


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, slice) of views (angle, bin, slice), times gain. Memory: 1 MB a thread beside input and output."""
    if views.ends is not None:
        return _by_ends(views_array, views, lambda some, ends: _deposit(some, views, gain, ends))
    return _deposit(views_array, views, gain)


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The exact transpose: views (angle, bin, slice) of a volume (x, y, slice), times gain. Memory: 1 MB a thread."""
    if views.ends is not None:
        return _by_ends(volume, views, lambda some, ends: _collect(some, views, gain, ends))
    return _collect(volume, views, gain)


def _by_ends(array: Tensor, views, product: Callable[[Tensor, tuple[Any, ...]], Tensor]) -> Tensor:
    """A product of slices in which chords end, and of the others, each together."""
    ends, classes = views.ends, views.ends.classes(array.shape[2])
    found = ends.t_mm.numpy(), ends.t_mm.amin(2).numpy(), np.int64(ends.first_bin), classes[classes >= 0].numpy()
    if bool((classes >= 0).all()):
        return product(array, found)
    ended, lengths = (classes >= 0).unique_consecutive(return_counts=True)
    runs = array.split(lengths.tolist(), 2)
    parts = []
    for these, given in ((ended, found), (~ended, ())):
        some = torch.cat([run for run, taken in zip(runs, these.tolist(), strict=True) if taken], 2)
        parts.append(product(some, given).split(lengths[these].tolist(), 2))
    of_ended, free = iter(parts[0]), iter(parts[1])
    return torch.cat([next(of_ended if taken else free) for taken in ended.tolist()], 2)


def _deposit(views_array: Tensor, views, gain: float, ends: tuple[Any, ...] = ()) -> Tensor:
    if ends:
        from lightlathe.dose.kernels.cpu_ends import deposit_tiles
    else:
        from lightlathe.dose.kernels.cpu_loops import deposit_tiles

    light = as_numpy(views_array)
    dose = np.zeros(views.dose_shape(light.shape[2]), light.dtype)
    tiles = tiles_of(views)
    fixed = (*_directions(views), *_columns(views), _optics(views, gain), _lines(views), _bins_of_a_tile(views))
    work = fixed + (ends or (_profile(views),))
    share_out(lambda first, last: deposit_tiles(light, dose, tiles[first:last], *work), len(tiles), max_items=4)
    return torch.from_numpy(dose)


def _collect(volume: Tensor, views, gain: float, ends: tuple[Any, ...] = ()) -> Tensor:
    from lightlathe.dose.kernels.cpu_loops import ANGLES_PER_PASS

    if ends:
        from lightlathe.dose.kernels.cpu_ends import collect_angles
    else:
        from lightlathe.dose.kernels.cpu_loops import collect_angles

    dose = as_numpy(volume)
    light = np.zeros(views.view_shape(dose.shape[2]), dose.dtype)
    tiles = tiles_of(views)
    cos, sin = _directions(views)
    fixed = (*_columns(views), _optics(views, gain), _lines(views), _bins_of_a_tile(views))

    def work(first: int, last: int) -> None:
        here = (*(part[first:last] for part in ends[:2]), *ends[2:]) if ends else (_profile(views),)
        collect_angles(dose, light[first:last], tiles, cos[first:last], sin[first:last], *fixed, *here)

    share_out(work, views.angles, max_items=ANGLES_PER_PASS)
    return torch.from_numpy(light)


def geometry(views, gain: float) -> tuple:
    """What the loops take of parallel and evenly spaced bins: directions, columns, optics, bins of a tile."""
    return *_directions(views), *_columns(views), _optics(views, gain), _bins_of_a_tile(views)


def as_numpy(tensor: Tensor) -> np.ndarray:
    return tensor.detach().contiguous().numpy()


def tiles_of(views) -> np.ndarray:
    """(tile, 2): first x and y of every tile that holds a voxel column in the resin."""
    from lightlathe.dose.kernels.cpu_loops import TILE

    inside = views.inside().numpy()
    across, along = (-(-n // TILE) for n in inside.shape)
    whole = np.zeros((across * TILE, along * TILE), bool)
    whole[: views.nx, : views.ny] = inside
    return TILE * np.argwhere(whole.reshape(across, TILE, along, TILE).any((1, 3)))


def _directions(views) -> tuple[np.ndarray, np.ndarray]:
    return torch.cos(views.angle_rad).numpy(), torch.sin(views.angle_rad).numpy()


def _columns(views) -> tuple[np.ndarray, np.ndarray]:
    return views.x_mm().numpy(), views.y_mm().numpy()


def _optics(views, gain: float) -> tuple[float, ...]:
    # the bin at the axis, one dark bin counted
    middle, band = float(views.middle_bins) + 1.0, views.band
    weight = (0.0, 1.0, 0.0, 1.0, 0.0)  # by depth: 1 everywhere
    if band is not None:
        weight = (band.focus_mm, band.rise_at, band.rise, band.fall_at, band.fall)
    vial = float(views.radius_mm), float(views.absorption_per_mm)
    return float(views.bin_mm), middle, *vial, float(gain), *(float(number) for number in weight)


def _lines(views) -> tuple[np.ndarray, ...]:
    """Offset, turn, its cosine and sine of every chord and the dark ones; empty where bins are parallel and even."""
    offset, turn = (torch.empty(0, dtype=torch.float64),) * 2 if views.lines is None else views.lines.with_dark
    return offset.numpy(), turn.numpy(), turn.cos().numpy(), turn.sin().numpy()


def _profile(views) -> np.ndarray:
    """As cpu_loops.shape_pixels takes it; empty where bins are read linearly."""
    if views.profile is None:
        return np.empty(0)
    knots = views.profile.knots
    return views.profile.at(torch.arange(knots + 1, dtype=torch.float64) / knots).numpy()


def _bins_of_a_tile(views) -> int:
    from lightlathe.dose.kernels.cpu_loops import TILE

    return views.bins_across(TILE)
