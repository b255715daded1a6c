"""The dose kernel for CPUs: compiled by numba at first use and kept on disk; float32 and float64, all cores.

Deposit shares out tiles of voxel columns among the threads, collect shares out angles. Each number is summed by one
thread in one fixed order, so results are bit-equal from run to run and for any number of threads
(`torch.set_num_threads` sets it). Voxel columns outside the resin, dark views and empty blocks cost nothing.
Slices in which an insert ends or dims light are computed together, and so are all others.
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
    if profile is not None and (profile.support > 1 or views.ends or views.depths or views.lines or views.spread):
        return (
            "it takes the profile of pixels whose light ends within a column of them, on parallel chords that end "
            f"nowhere; these reach {profile.support:.3g} columns"
        )
    return None


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, slice) of views (angle, bin, slice), times gain. Memory: 1 MB a thread beside input and output."""
    return _by_inserts(views_array, views, lambda some, inserts: _deposit(some, views, gain, inserts))


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The exact transpose: views (angle, bin, slice) of a volume (x, y, slice), times gain. Memory: 1 MB a thread."""
    return _by_inserts(volume, views, lambda some, inserts: _collect(some, views, gain, inserts))


# of some views, what the loops take of inserts: `meets`, `ends`, `depths` of cpu_inserts.py
_Inserts = Callable[[slice], tuple[Any, Any, Any]]


def _by_inserts(array: Tensor, views, product: Callable[[Tensor, _Inserts], Tensor]) -> Tensor:
    """A product of slices that inserts shade, and of the others, each together."""
    inserts = views.ends if views.depths is None else views.depths
    if inserts is None:
        return product(array, _no_inserts)
    classes = inserts.classes(array.shape[2])
    which = classes[classes >= 0].numpy()
    shaded = _with_ends(views.ends, which) if views.depths is None else _with_depths(views.depths, which)
    if bool((classes >= 0).all()):
        return product(array, shaded)
    stands, lengths = (classes >= 0).unique_consecutive(return_counts=True)
    runs = array.split(lengths.tolist(), 2)
    parts = []
    for these, taken in ((stands, shaded), (~stands, _no_inserts)):
        some = torch.cat([run for run, here in zip(runs, these.tolist(), strict=True) if here], 2)
        parts.append(product(some, taken).split(lengths[these].tolist(), 2))
    of_shaded, free = iter(parts[0]), iter(parts[1])
    return torch.cat([next(of_shaded if taken else free) for taken in stands.tolist()], 2)


def _no_inserts(taken: slice) -> tuple[None, None, None]:
    return None, None, None


def _with_ends(ends, which: np.ndarray) -> _Inserts:
    t, soonest, first = ends.t_mm.numpy(), ends.t_mm.amin(2).numpy(), np.int64(ends.first_bin)
    return lambda taken: ((soonest[taken], first, which), t[taken], None)


def _with_depths(depths, which: np.ndarray) -> _Inserts:
    soonest, first = depths.lists.soonest.numpy(), np.int64(depths.lists.first_bin)
    return lambda taken: ((soonest[taken], first, which), None, lists_of(depths, taken))


def lists_of(depths, views: slice) -> tuple[Any, ...]:
    """The lists of some views, as the loops take them (cpu_depths.py)."""
    lists = depths.lists
    each = lists.bins * lists.classes
    own = lists.start[views.start * each : views.stop * each + 1]
    numbers = (x.numpy() for x in (own, lists.enter_mm, lists.per_mm, lists.depth))
    return *numbers, *(np.int64(n) for n in (lists.first_bin, lists.bins, lists.classes))


def _deposit(views_array: Tensor, views, gain: float, inserts: _Inserts) -> Tensor:
    from lightlathe.dose.kernels.cpu_loops import deposit_tiles

    light = as_numpy(views_array)
    dose = np.zeros(views.dose_shape(light.shape[2]), light.dtype)
    tiles, all_views = tiles_of(views), slice(0, views.angles)
    work: Any = (*_directions(views), *_of_tiles(views, gain), *inserts(all_views))
    share_out(lambda first, last: deposit_tiles(light, dose, tiles[first:last], *work), len(tiles), max_items=4)
    return torch.from_numpy(dose)


def _collect(volume: Tensor, views, gain: float, inserts: _Inserts) -> Tensor:
    from lightlathe.dose.kernels.cpu_loops import ANGLES_PER_PASS, collect_angles

    dose = as_numpy(volume)
    light = np.zeros(views.view_shape(dose.shape[2]), dose.dtype)
    tiles, (cos, sin), fixed = tiles_of(views), _directions(views), _of_tiles(views, gain)

    def work(first: int, last: int) -> None:
        here: Any = (*fixed, *inserts(slice(first, last)))
        collect_angles(dose, light[first:last], tiles, cos[first:last], sin[first:last], *here)

    share_out(work, views.angles, max_items=ANGLES_PER_PASS)
    return torch.from_numpy(light)


def _of_tiles(views, gain: float) -> tuple[Any, ...]:
    """What the loops take of bins on any chords, beside directions: columns, optics, lines, bins of a tile, profile."""
    return *_columns(views), _optics(views, gain), _lines(views), _bins_of_a_tile(views), _profile(views)


def geometry(views, gain: float) -> tuple:
    """What the loops take of parallel and evenly spaced bins: directions, columns, optics, bins of a tile."""
    return *_directions(views), *_columns(views), _optics(views, gain), _bins_of_a_tile(views)


def as_numpy(tensor: Tensor) -> np.ndarray:
    return tensor.detach().contiguous().numpy()


def tiles_of(views) -> np.ndarray:
    """(tile, 2): first x and y of every tile that holds a voxel column in the resin."""
    from lightlathe.dose.kernels.cpu_tiles import TILE

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


def _profile(views) -> np.ndarray | None:
    """As cpu_weights.shape_pixels takes it; None where bins are read linearly."""
    if views.profile is None:
        return None
    knots = views.profile.knots
    return views.profile.at(torch.arange(knots + 1, dtype=torch.float64) / knots).numpy()


def _bins_of_a_tile(views) -> int:
    from lightlathe.dose.kernels.cpu_tiles import TILE

    return views.bins_across(TILE)
