"""Covered fractions of a closed mesh in plain torch, for CUDA. See coverage.py for the rule.

Work grows by steps of expansion: facets -> layers -> columns -> voxels, and facets -> lines -> crossings. Each step
makes one row of a tensor for each piece and runs in portions, so memory stays bounded. Every sum is of whole numbers:
atomic additions in any order give the same bits.
"""

from collections.abc import Iterator

import torch
from torch import Tensor

from lightlathe.part.count import LINE_Y, LINES, ONE, STEP, Count

LAYERS = 64  # layers of voxels counted at a time
PORTION = 1 << 19  # rows of a tensor at a time


def count_voxels_torch(count: Count, device: torch.device) -> Tensor:
    """(x, y, z) float32 covered fraction on `device`; the mesh must be closed (no caps)."""
    corners = torch.from_numpy(count.corners).to(device)
    whole = torch.from_numpy(count.whole).to(device)
    nx, ny, nz = count.shape
    result = torch.empty(count.shape, dtype=torch.float32, device=device)
    low, high = corners[:, :, 0].amin(1), corners[:, :, 0].amax(1)
    for first in range(0, nx, LAYERS):
        last = min(first + LAYERS, nx)
        mine = torch.nonzero((high >= first) & (low <= last)).squeeze(1)
        drops = torch.zeros((last - first) * ny * nz, dtype=torch.int64, device=device)
        if len(mine):
            _cut_facets(corners[mine], first, last, (ny, nz), drops)
            _follow_lines(corners[mine], whole[mine], count.shift, first, last, (ny, nz), drops)
        below = drops.view(-1, ny, nz).flip(2).cumsum(2).flip(2)
        steps = torch.div(below + ONE // STEP // 2, ONE // STEP, rounding_mode="floor")
        result[first:last] = steps.clamp_(0, STEP).to(torch.float32) / STEP
    return result


def _portions(amounts: Tensor) -> Iterator[tuple[Tensor, Tensor]]:
    """Rows for items that need `amounts` rows each, some PORTION at a time: (item of each row, row within its item)."""
    ends = amounts.cumsum(0)
    total = int(ends[-1]) if len(ends) else 0
    start = done = 0
    while done < total:
        stop = int(torch.searchsorted(ends, done + PORTION, right=True))
        stop = max(stop, start + 1)
        part = amounts[start:stop]
        item = torch.repeat_interleave(torch.arange(start, stop, device=amounts.device), part)
        within = torch.arange(len(item), device=amounts.device) - (ends[item] - amounts[item] - done)
        if len(item):
            yield item, within
        start, done = stop, int(ends[stop - 1])


def _clip(polygons: Tensor, axis: int, at: Tensor, side: int) -> Tensor:
    """Keep what lies above (side 1) or below (side -1) a plane: (p, m, 3) -> (p, m + 1, 3) convex polygons.

    Spare places repeat the first corner, which changes no area; where nothing is left all corners are 0.
    """
    p, m, _ = polygons.shape
    ahead = polygons.roll(-1, 1)
    d = (polygons[..., axis] - at[:, None]) * side
    e = d.roll(-1, 1)
    crosses = ((d > 0) & (e < 0)) | ((d < 0) & (e > 0))
    t = torch.where(crosses, d / torch.where(crosses, d - e, 1.0), 0.0)
    between = polygons + t[..., None] * (ahead - polygons)
    between[..., axis] = at[:, None]
    corners = torch.stack([polygons, between], 2).view(p, 2 * m, 3)
    kept = torch.stack([d >= 0, crosses], 2).view(p, 2 * m)
    place = kept.to(torch.int64).cumsum(1) - 1
    place = torch.where(kept, place.clamp(max=m), m + 1)  # the last place takes what is thrown away
    first = torch.take_along_dim(corners, kept.to(torch.uint8).argmax(1)[:, None, None].expand(p, 1, 3), 1)
    first = torch.where(kept.any(1)[:, None, None], first, 0.0)
    return first.repeat(1, m + 2, 1).scatter_(1, place[..., None].expand(p, 2 * m, 3), corners)[:, : m + 1]


def _between(polygons: Tensor, axis: int, floor: Tensor) -> Tensor:
    """What lies between `floor` and `floor + 1` along one axis."""
    return _clip(_clip(polygons, axis, floor, 1), axis, floor + 1, -1)


def _span(polygons: Tensor, axis: int, low: int, high: int) -> tuple[Tensor, Tensor]:
    """First unit interval that each polygon meets within low..high, and how many it meets there."""
    first = polygons[..., axis].amin(1).floor().clamp(low, high)
    last = polygons[..., axis].amax(1).floor().clamp(low - 1, high - 1)
    return first, (last - first + 1).clamp(min=0).to(torch.int64)


def _cut_facets(corners: Tensor, first: int, last: int, size: tuple[int, int], drops: Tensor) -> None:
    """The exact term: each facet cut into layers, columns, voxels; each piece fills its voxel in part, those below in
    full. Pieces above the grid fill the highest voxel, pieces below it nothing."""
    ny, nz = size
    start, amount = _span(corners, 0, first, last)
    for facet, layer in _portions(amount):
        i = start[facet] + layer
        slices = _between(corners[facet], 0, i)
        start_y, amount_y = _span(slices, 1, 0, ny)
        for row, column in _portions(amount_y):
            j = start_y[row] + column
            bars = _between(slices[row], 1, j)
            base = ((i[row] - first) * ny + j).to(torch.int64) * nz
            start_z, amount_z = _span(bars, 2, 0, nz)
            area, _ = _prism(_clip(bars, 2, torch.full_like(j, nz), 1), torch.full_like(j, nz))
            drops.index_add_(0, base + nz - 1, area)
            for bar, voxel in _portions(amount_z):
                k = start_z[bar] + voxel
                area, volume = _prism(_between(bars[bar], 2, k), k)
                at = base[bar] + k.to(torch.int64)
                drops.index_add_(0, at, volume)
                drops.index_add_(0, (at - 1).clamp(min=0), torch.where(k > 0, area - volume, 0))


def _prism(polygons: Tensor, floor: Tensor) -> tuple[Tensor, Tensor]:
    """Signed footprint of flat polygons (p, m, 3), and signed volume between them and z = floor, in 2^-40 voxels."""
    edge = polygons - polygons[:, :1]
    u, v = edge[:, 1:-1], edge[:, 2:]
    part = (u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]) / 2
    z = polygons[..., 2]
    middle = (z[:, :1] + z[:, 1:-1] + z[:, 2:]) / 3 - floor[:, None]
    area, volume = part.sum(1), (part * middle).sum(1)
    return (area * ONE).round().to(torch.int64), (volume * ONE).round().to(torch.int64)


def _follow_lines(
    corners: Tensor, whole: Tensor, shift: int, first: int, last: int, size: tuple[int, int], drops: Tensor
) -> None:
    """The sampled term: crossings of all lines, sorted down each line; what n counts beyond 0 or 1 is taken back."""
    ny, nz = size
    lines, heights, sides = _crossings(corners, whole, shift, first, last, ny)
    heights, order = heights.sort(descending=True, stable=True)
    lines, order_by_line = lines[order].sort(stable=True)
    heights, sides = heights[order_by_line], sides[order][order_by_line]
    after = sides.cumsum(0)  # the mesh is closed: each line ends at 0, and the next one starts there
    before = after - sides
    change = ((after >= 1).to(torch.int64) - after) - ((before >= 1).to(torch.int64) - before)
    some = torch.nonzero((change != 0) & (heights > 0)).squeeze(1)
    area, z = change[some] * (ONE // LINES), heights[some].clamp(max=nz)
    layer = torch.div(lines[some], LINES * ny, rounding_mode="floor")
    row = torch.remainder(lines[some], ny)
    k = z.floor().clamp(max=nz - 1)
    part = (area * (z - k)).round().to(torch.int64)
    at = (layer * ny + row) * nz + k.to(torch.int64)
    drops.index_add_(0, at, part)
    drops.index_add_(0, (at - 1).clamp(min=0), torch.where(k > 0, area - part, 0))


def _crossings(
    corners: Tensor, whole: Tensor, shift: int, first: int, last: int, ny: int
) -> tuple[Tensor, Tensor, Tensor]:
    """Every crossing of a line and a facet: line ((layer - first) * LINES + line in x) * ny + row, height z, side."""
    half = 1 << (shift - 5)  # line u of all layers lies at x = (2 u + 1) * half
    x = whole[..., 0]
    start = (-((half - x.amin(1)) >> (shift - 4))).clamp(first * LINES, last * LINES)
    stop = (-((half - x.amax(1)) >> (shift - 4))).clamp(first * LINES, last * LINES)
    line_y = torch.tensor(LINE_Y, device=whole.device) * half
    found: list[tuple[Tensor, Tensor, Tensor]] = []
    for facet, within in _portions(stop - start):
        u = start[facet] + within
        at_x, off_y = (2 * u + 1) * half, line_y[torch.remainder(u, LINES)]
        low, high = _rows(whole[facet], at_x, off_y, shift)
        low, high = low.clamp(0, ny), high.clamp(0, ny)
        slope_x, slope_y, side = _planes(whole[facet], corners[facet])
        for pair, step in _portions((high - low).clamp(min=0)):
            row = low[pair] + step
            f = facet[pair]
            dx = (at_x[pair] - whole[f, 0, 0]).to(torch.float64)
            dy = ((row << shift) + off_y[pair] - whole[f, 0, 1]).to(torch.float64)
            z = corners[f, :, 2]
            height = z[:, 0] + slope_x[pair] * dx + slope_y[pair] * dy
            height = torch.minimum(torch.maximum(height, z.amin(1)), z.amax(1))
            found.append(((u[pair] - first * LINES) * ny + row, height, side[pair]))
    if not found:
        none = torch.empty(0, dtype=torch.int64, device=whole.device)
        return none, none.to(torch.float64), none
    lines, heights, sides = (torch.cat(parts) for parts in zip(*found, strict=True))
    return lines, heights, sides


def _rows(facet: Tensor, at_x: Tensor, off_y: Tensor, shift: int) -> tuple[Tensor, Tensor]:
    """Rows whose line at whole x lies within the facet: first, one beyond the last. Exact in whole numbers."""
    a, b = facet, facet.roll(-1, 1)
    spans = (a[..., 0] <= at_x[:, None]) != (b[..., 0] <= at_x[:, None])
    swap = a[..., 0] > b[..., 0]
    left, right = torch.where(swap[..., None], b, a), torch.where(swap[..., None], a, b)
    run = torch.where(spans, right[..., 0] - left[..., 0], 1)
    rise = (right[..., 1] - left[..., 1]) * (at_x[:, None] - left[..., 0])
    meets = left[..., 1] - torch.div(-torch.where(spans, rise, 0), run, rounding_mode="floor")
    row = -((off_y[:, None] - meets) >> shift)
    far = 1 << 40
    return torch.where(spans, row, far).amin(1), torch.where(spans, row, -far).amax(1)


def _planes(whole: Tensor, corners: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Rise of each facet's plane in z for a whole step of x and of y, and its side: 1 where it faces up."""
    a, b = whole[:, 1] - whole[:, 0], whole[:, 2] - whole[:, 0]
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    a, b = a.to(torch.float64), b.to(torch.float64)
    za, zb = corners[:, 1, 2] - corners[:, 0, 2], corners[:, 2, 2] - corners[:, 0, 2]
    area = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    area = torch.where(cross == 0, 1.0, area)
    return (za * b[:, 1] - zb * a[:, 1]) / area, (a[:, 0] * zb - b[:, 0] * za) / area, cross.sign()
