"""Small flat problems: one slice, parallel light, a shape in the vial."""

from types import SimpleNamespace

import torch

from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import Grid, Target
from lightlathe.solve import normalised
from operators import dense as matrix_of
from operators import operator


def _disc(x, y):
    return x * x + y * y <= 0.25


def _hook(x, y):
    radius = torch.sqrt(x * x + y * y)
    return (radius >= 0.35) & (radius <= 0.68) & (torch.atan2(y, x).abs() >= 0.7)


def _two_pins(x, y):
    return ((x - 0.38) ** 2 + (y - 0.1) ** 2 <= 0.07) | ((x + 0.35) ** 2 + (y + 0.2) ** 2 <= 0.055)


SHAPES = {"disc": _disc, "hook": _hook, "two_pins": _two_pins}


def make(shape="hook", *, voxels=16, angles=24, columns=None, absorption=1.0, dtype=torch.float64, slices=1):
    """A normalised operator in a vial of radius 1 mm and the target of a shape, the same in every slice."""
    columns = voxels if columns is None else columns
    grid = Grid((voxels, voxels, slices), 2 / voxels)
    raw = operator(
        grid.shape, grid.voxel_mm, angles=angles, columns=columns, rows=slices, pixel=2 / columns, row=grid.voxel_mm,
        radius=1.0, absorption=absorption, first_rad=0.0, kernel="cpu", dtype=dtype,
    )  # fmt: skip
    x, y = grid.centres_mm(0)[:, None], grid.centres_mm(1)[None, :]
    inside = grid.inside(1.0)[:, :, None].expand(grid.shape)
    solid = SHAPES[shape](x, y)[:, :, None] & inside
    target = Target(solid=solid, liquid=inside & ~solid)
    return SimpleNamespace(operator=normalised(raw, target), raw=raw, target=target, grid=grid)


def dense(operator):
    """(judged or not, all voxels) x levels matrix of an operator, numpy: one column per level."""
    return matrix_of(operator, operator.pattern_shape, operator.dtype).numpy()


class Mixing(LinearMap):
    """A toy operator whose slices couple: every slice takes a share of its neighbours' light."""

    gain = 1.0
    slices_independent = False  # pyright: ignore[reportAssignmentType]

    def __init__(self, operator, share=0.2):
        self.inner, n = operator, operator.pattern_shape[2]
        self.matrix = torch.eye(n) + share * (torch.diag(torch.ones(n - 1), 1) + torch.diag(torch.ones(n - 1), -1))
        self.pattern_shape, self.dose_shape = operator.pattern_shape, operator.dose_shape
        self.device, self.dtype = operator.device, operator.dtype

    def __call__(self, patterns):
        return self.inner((patterns @ self.matrix).contiguous())

    def transpose(self, dose):
        return self.inner.transpose(dose) @ self.matrix.T
