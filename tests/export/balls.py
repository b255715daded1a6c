"""A ball in a volume of doses, as the tests of surfaces take it."""

import torch

GEL = 36.25


def centres(grid):
    x, y, z = (grid.centres_mm(axis) for axis in range(3))
    return x[:, None, None], y[None, :, None], z[None, None, :]


def ball(grid, radius, at):
    x, y, z = centres(grid)
    r = torch.sqrt((x - at[0]) ** 2 + (y - at[1]) ** 2 + (z - at[2]) ** 2)
    return (GEL * (2 - r / radius)).clamp(min=0).float()
