"""The dose kernel in plain torch: any device, float32 and float64, one angle at a time.

Slow on purpose where slow is clear. It imports torch alone, so that it never leans on what it checks.
"""

from collections.abc import Iterator

import torch
from torch import Tensor


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    return None if dtype in (torch.float32, torch.float64) else f"it computes in float32 or float64, not {dtype}"


def _weights(views, slices: int, device: torch.device, dtype: torch.dtype) -> Iterator[tuple[Tensor, Tensor, Tensor]]:
    """For each angle: lower bin (x*y,), and the weights of that bin and of the next, (x*y, 1) or, where inserts end or
    dim light, (x*y, slice).

    Bin numbers are of views with one dark bin added at each end. Geometry is computed in float64 where the
    device has it, so that the weights of float32 runs are as exact as float32 can hold.
    """
    exact = torch.float32 if device.type == "mps" else torch.float64
    x = views.x_mm().to(exact).to(device)[:, None]
    y = views.y_mm().to(exact).to(device)[None, :]
    inside = views.inside().to(device)
    classes = None if views.ends is None else views.ends.classes(slices).to(device)
    for number, angle in enumerate(views.angle_rad.tolist()):
        c, s_ = (
            torch.cos(torch.tensor(angle, dtype=torch.float64)),
            torch.sin(torch.tensor(angle, dtype=torch.float64)),
        )
        s = x * float(c) + y * float(s_)
        t = y * float(c) - x * float(s_)
        if views.lines is None:
            place = s / views.bin_mm + views.middle_bins + 1
        else:
            place, s, t = _on_lines(s, t, *(x.to(exact).to(device) for x in views.lines.with_dark))
        reached = inside & (place > 0) & (place < views.bins + 1)
        place = place.clamp(0, views.bins + 1)
        low = place.floor().clamp(max=views.bins)
        depth = torch.sqrt((views.radius_mm**2 - s * s).clamp(min=0)) + t
        light = torch.exp(-views.absorption_per_mm * depth.clamp(min=0)) * reached
        if views.band is not None:
            light = light * views.band.weight(t)
        high_share = place - low
        flat = low.to(torch.int64).flatten()
        near, far = (share.to(dtype).flatten()[:, None] for share in (light * (1 - high_share), light * high_share))
        if classes is not None:
            ends = _ends(views, number, classes).to(exact)
            near, far = (w * (t.flatten()[:, None] < ends[flat + k]) for k, w in enumerate((near, far)))
        if views.depths is not None:
            near, far = _dimmed(views.depths, number, flat, t.flatten(), (near, far), slices)
        yield flat, near, far


def _dimmed(depths, view: int, low: Tensor, t: Tensor, weights: tuple[Tensor, Tensor], slices: int) -> list[Tensor]:
    """Weights (place, slice) of two bins, times what inserts leave at t of the light of each; two dark bins counted."""
    classes = depths.classes(slices).to(t.device)
    return [w * depths.transmittance(view, low + k - 1, t)[:, classes].to(w.dtype) for k, w in enumerate(weights)]


def _ends(views, angle: int, classes: Tensor) -> Tensor:
    """(bin, slice) the t at which the chords of one view end; two dark bins counted."""
    t_mm, first = views.ends.t_mm[angle].to(classes.device), views.ends.first_bin + 1
    ends = t_mm.new_full((views.bins + 2, t_mm.shape[1] + 1), torch.inf)  # the last class is that of -1
    ends[first : first + len(t_mm), :-1] = t_mm
    return ends[:, classes]


def _on_lines(s: Tensor, t: Tensor, offset: Tensor, turn: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Bin number of places between chords s cos(turn) + t sin(turn) = offset, and s and t along the chord there."""

    def beyond(k: Tensor) -> Tensor:
        return s * turn[k].cos() + t * turn[k].sin() - offset[k]

    low, high = torch.zeros_like(s, dtype=torch.int64), torch.full_like(s, len(offset) - 1, dtype=torch.int64)
    for _ in range(len(offset).bit_length()):  # halve what lies between until it is one gap
        middle = (low + high) // 2
        passed = beyond(middle) >= 0
        low, high = torch.where(passed, middle, low), torch.where(passed, high, middle)
    low = low.clamp(max=len(offset) - 2)
    below, above = beyond(low), beyond(low + 1)
    lit = (below >= 0) & (above < 0)
    part = torch.where(lit, below / (below - above), 0)
    here = turn[low] + part * (turn[low + 1] - turn[low])
    return torch.where(lit, low + part, 0), s * here.cos() + t * here.sin(), t * here.cos() - s * here.sin()


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, slice) of views (angle, bin, slice), times gain. Memory: a few times one dose volume."""
    if views.profile is not None:
        taps, fine = views.in_fine_bins()
        return deposit(_mapped(taps, views_array), fine, gain)
    device, dtype, slices = views_array.device, views_array.dtype, views_array.shape[2]
    dark = torch.zeros(1, slices, device=device, dtype=dtype)
    dose = torch.zeros(views.nx * views.ny, slices, device=device, dtype=dtype)
    for view, (low, near, far) in zip(views_array, _weights(views, slices, device, dtype), strict=True):
        padded = torch.cat([dark, view, dark])
        dose += near * padded[low] + far * padded[low + 1]
    return dose.mul_(gain).reshape(views.nx, views.ny, slices)


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The exact transpose: views (angle, bin, slice) of a volume (x, y, slice), times gain.

    index_add_ adds in no fixed order on CUDA: there the last digits may differ from run to run.
    """
    if views.profile is not None:
        taps, fine = views.in_fine_bins()
        return _mapped(taps.transposed(), collect(volume, fine, gain))
    device, dtype, slices = volume.device, volume.dtype, volume.shape[2]
    flat = volume.reshape(views.nx * views.ny, slices)
    out = torch.empty(views.angles, views.bins, slices, device=device, dtype=dtype)
    for view, (low, near, far) in zip(out, _weights(views, slices, device, dtype), strict=True):
        padded = torch.zeros(views.bins + 2, slices, device=device, dtype=dtype)
        padded.index_add_(0, low, near * flat)
        padded.index_add_(0, low + 1, far * flat)
        view.copy_(padded[1:-1])
    return out.mul_(gain)


def _mapped(taps, x: Tensor) -> Tensor:
    """A sparse map along the bins of views."""
    index, weight = taps.index.to(x.device), taps.weight.to(x.device, x.dtype)
    return torch.stack([x.index_select(1, k) * w[:, None] for k, w in zip(index, weight, strict=True)]).sum(0)
