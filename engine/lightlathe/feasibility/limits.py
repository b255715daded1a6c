"""Upper bounds on the process window that hold for any patterns.

All use one argument from duality. Let p be weights >= 0 on places that must stay liquid and q weights on the part, each
summing to 1. Patterns are a sum of thin rays with strengths >= 0. If every ray leaves at least `ratio` times as much
dose under p as under q, so do all patterns: ratio * (q-mean dose) <= p-mean dose. The p-mean is at most the highest
dose outside, the q-mean at least the lowest inside, hence min inside / max outside <= 1 / ratio and

    window = 1 - max outside / min inside <= 1 - ratio.

p is always spread evenly along the wall, where all light must pass: a circle of radius rho, or a cylinder.
A ray at offset s crosses it twice, and leaves there, per unit of light that reaches half-way,
cosh(mu h) / (pi h),  h = sqrt(rho^2 - s^2).
What the resin took before the ray came half-way weakens both sides alike.
disc_limit, speck_limit and any_ray_limit are closed forms; strip_limit is a sum over voxels, loosened by its own
numerical error.
"""

import math

import torch
from torch import Tensor

ANGLES = 90  # of the strips; a voxel at the wall moves by 7 % of the radius between two, less than a coarse voxel
STRIP_ERROR = 0.01  # of the ratio; linear programs on shapes of 16 voxels stay 13 % away from the sums, found here
COARSE = 48  # voxels across at most: the search through strips stays far below a second


def disc_limit(absorption_per_mm: float, wall_mm: float, radius_mm: float) -> float:
    """Limit for a part that fills a disc of `radius_mm` about the axis in some slice; the wall at `wall_mm` is resin.

    Two weightings of the disc, with c its radius and h, l the half chords of wall and disc:
    even,                      under q  2 sinh(mu l) / (mu pi c^2):  ratio = mu c^2 cosh(mu h) / (2 h sinh(mu l))
    as 1 / sqrt(c^2 - r^2),    under q  I0(mu l) / (2 c):            ratio = 2 c cosh(mu h) / (pi h I0(mu l))
    Both ratios grow from s = 0 on, strip by strip: with x = s^2, d(log ratio)/dx is half of
    1/h^2 - mu tanh(mu h)/h + mu coth(mu l)/l, where coth > 1 > tanh and l < h; and of
    1/h^2 - mu tanh(mu h)/h + mu I1(mu l)/(l I0(mu l)), where the last term is checked on a grid of strips.
    So the middle ray decides in the first case, the worst strip of the grid in the second.
    """
    m, c = absorption_per_mm, min(radius_mm, wall_mm * (1 - 1e-9))
    even = _even(m * wall_mm, m * c) * c / wall_mm
    strips = [c * i / 64 for i in range(64)]
    rim = min(_rim(m * math.sqrt(wall_mm**2 - s**2), m * math.sqrt(c**2 - s**2), m * c) for s in strips)
    return 1 - max(even, rim)


def _even(wall: float, disc: float) -> float:
    """(disc / wall) cosh(wall) / sinh(disc) * disc / 2, without overflow; `disc` small is its limit."""
    if disc < 1e-6:
        return math.exp(min(wall, 700)) / 2 * (1 + math.exp(-2 * wall)) / 2
    grown = math.exp(min(wall - disc, 700)) * (1 + math.exp(-2 * wall)) / (1 - math.exp(-2 * disc))
    return disc / 2 * grown


def _rim(h: float, chord: float, c: float) -> float:
    """2 c cosh(h) / (pi h I0(chord)), all lengths times mu."""
    from scipy.special import ive

    if h < 1e-9:
        return 2 / math.pi * (c / h if h > 0 else 1.0)
    grown = math.exp(min(h - chord, 700)) * (1 + math.exp(-2 * h)) / 2 / float(ive(0, chord))
    return 2 * c / (math.pi * h) * grown


def speck_limit(absorption_per_mm: float, wall_mm: float, reach_mm: float, speck_mm: float) -> float:
    """Limit for any part within `reach_mm` of the axis that somewhere holds a disc of radius `speck_mm` in a slice.

    q even on the speck, which every ray reaches through at least wall - reach of resin: at most
    exp(-mu (wall - reach)) * 2 speck / (pi speck^2) per unit of light at the wall; under p at least 1 / (2 pi wall).
    """
    depth = absorption_per_mm * max(wall_mm - reach_mm, 0.0)
    return 1 - speck_mm / (4 * wall_mm) * math.exp(min(depth, 700))


def any_ray_limit(
    absorption_per_mm: float, wall_mm: float, nearest_mm: float, ball_mm: float, height_mm: float
) -> float:
    """Limit for rays of any direction, bent at the wall or not, that enter through the wall of a resin, H mm high.

    q even on a ball of radius `ball_mm` in the part, its middle `nearest_mm` from the axis; p even on all of the wall,
    a cylinder of radius rho. Light that reaches the ball has crossed rho - nearest - ball of resin at least, whatever
    its direction, and crosses 2 ball of the ball at most. So per unit of power through the wall and over mu, q gets at
    most exp(-mu (rho - nearest - ball)) 2 ball / (4/3 pi ball^3), and p at least 1 / (2 pi rho H), as the fluence rate
    on a surface is the power through it or more. Weak, as light may come from all heights and meet in one place.
    """
    depth = absorption_per_mm * max(wall_mm - nearest_mm - ball_mm, 0.0)
    return 1 - ball_mm**2 / (3 * wall_mm * height_mm) * math.exp(min(depth, 700))


def strip_limit(solid: Tensor, voxel_mm: float, wall_mm: float, absorption_per_mm: float) -> float:
    """Limit for one slice (x, y) bool of any shape, strip of light by strip; NaN for an empty slice.

    q is even on the part's voxels, or as 1 / sqrt(c^2 - r^2); whichever proves more. Voxels are joined into coarse
    ones where all are solid and taken as points, strips are a coarse voxel wide, the turn is sampled: STRIP_ERROR of
    the ratio is given away for that, so the limit is 0 only where the sums themselves come out below -0.01.
    """
    block = max(1, -(-min(solid.shape) // COARSE))
    coarse = _all_solid(solid, block)
    if not bool(coarse.any()):
        coarse, block = solid, 1
    pitch = voxel_mm * block
    where = coarse.nonzero().double()
    if not len(where):
        return math.nan
    middle = torch.tensor([(n - 1) / 2 for n in coarse.shape], dtype=torch.float64)
    x, y = ((where - middle) * pitch).T
    radius = torch.sqrt(x * x + y * y)
    reach = float(radius.max()) + pitch / 2
    strips = 2 * math.ceil(reach / pitch) + 3
    offset = (torch.arange(strips, dtype=torch.float64) - (strips - 1) / 2) * pitch
    h = torch.sqrt((wall_mm**2 - offset**2).clamp(min=(0.1 * pitch) ** 2))
    outside = torch.exp(absorption_per_mm * (h - wall_mm)) * (1 + torch.exp(-2 * absorption_per_mm * h))
    outside *= pitch / (2 * math.pi * h)
    outside[offset.abs() >= wall_mm] = math.inf
    weights = torch.stack([torch.ones_like(radius), 1 / torch.sqrt(reach**2 - radius**2)])
    weights /= weights.sum(1, keepdim=True)
    ratio = torch.full((2,), math.inf, dtype=torch.float64)
    for angle in range(ANGLES):
        turn = 2 * math.pi * angle / ANGLES
        s = x * math.cos(turn) + y * math.sin(turn)
        t = y * math.cos(turn) - x * math.sin(turn)
        light = weights * torch.exp(-absorption_per_mm * (t + wall_mm))
        place = s / pitch + (strips - 1) / 2
        low = place.floor()
        inside = torch.zeros(2, strips, dtype=torch.float64)
        inside.index_add_(1, low.long(), light * (1 - (place - low)))
        inside.index_add_(1, low.long() + 1, light * (place - low))
        ratio = torch.minimum(ratio, torch.where(inside > 0, outside / inside, math.inf).amin(1))
    return 1 - (1 - STRIP_ERROR) * float(ratio.max())


def slice_limit(
    solid: Tensor, pitch_mm: float, wall_mm: float, reach_mm: float, absorption_per_mm: float, voxel_mm: float
) -> float:
    """The tightest of the bounds above for one slice (x, y) bool of any shape; infinite for an empty one.

    pitch_mm   of the voxels that are looked at; voxel_mm of the job's own, half of which is given away at the surface
    wall_mm    the outermost resin;  reach_mm: no part lies further out
    """
    strip = strip_limit(solid, pitch_mm, wall_mm, absorption_per_mm)
    found = [math.inf if math.isnan(strip) else strip]
    full = _full_disc_mm(solid, pitch_mm)
    if full > voxel_mm:
        found.append(disc_limit(absorption_per_mm, wall_mm, min(full, reach_mm) - voxel_mm / 2))
    return min(found)


def _full_disc_mm(solid: Tensor, voxel_mm: float) -> float:
    """Radius of the largest disc about the axis in which every voxel is solid."""
    x, y = ((torch.arange(n, dtype=torch.float64) - (n - 1) / 2) * voxel_mm for n in solid.shape)
    radius = torch.sqrt(x[:, None] ** 2 + y[None, :] ** 2)
    if bool(solid.all()):
        return float(radius.max())
    return max(0.0, float(radius[~solid].min()) - voxel_mm / 2)


def _all_solid(solid: Tensor, block: int) -> Tensor:
    """Blocks of block x block voxels, counted from the middle, in which every voxel is solid."""
    nx, ny = (n // block * block for n in solid.shape)
    x0, y0 = (solid.shape[0] - nx) // 2, (solid.shape[1] - ny) // 2
    cut = solid[x0 : x0 + nx, y0 : y0 + ny]
    return cut.reshape(nx // block, block, ny // block, block).all(3).all(1)


def nearest_mm(solid: Tensor, voxel_mm: float) -> float:
    """How far from the axis the part's nearest place may lie, at most: slices (x, y, slice) bool. Infinite if empty."""
    x, y = ((torch.arange(n, dtype=torch.float64) - (n - 1) / 2) * voxel_mm for n in solid.shape[:2])
    radius = torch.hypot(x[:, None], y[None, :])[solid.any(2)]
    return float(radius.min()) + voxel_mm / math.sqrt(2) if len(radius) else math.inf
