"""Doses by direct summation in float64, written from the definition in quantities/ and DEVELOPERS.md.

They share no code with the package: numpy, every angle, in a slice every voxel against every column.
"""

import numpy as np


def direct_dose(light, angle, offset, turn, share, shape, voxel, radius, absorption):
    """(x, y) mean over the angles of the light of (angle, column) patterns, of unit incident light.

    A column lights the line s cos(turn) + t sin(turn) = offset; between the lines of two columns light is interpolated
    by the distances to both; one pixel beyond the outermost columns it is dark. It reaches a depth of
    sqrt(R^2 - s'^2) + t' along the line through the voxel, weakened by exp(-absorption * depth).
    """
    light, share = np.asarray(light, float), np.asarray(share, float)
    s_of, turn = np.asarray(offset, float), np.asarray(turn, float)
    # a dark column beyond each end
    s_of = np.concatenate([[2 * s_of[0] - s_of[1]], s_of, [2 * s_of[-1] - s_of[-2]]])
    turn = np.concatenate([turn[:1], turn, turn[-1:]])
    light = np.pad(light * share, ((0, 0), (1, 1)))
    x = (np.arange(shape[0]) - (shape[0] - 1) / 2)[:, None] * voxel + 0.0 * np.arange(shape[1])
    y = (np.arange(shape[1]) - (shape[1] - 1) / 2)[None, :] * voxel + 0.0 * np.arange(shape[0])[:, None]
    dose = np.zeros(shape)
    for a, levels in zip(np.asarray(angle, float), light, strict=True):
        s, t = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
        away = s[..., None] * np.cos(turn) + t[..., None] * np.sin(turn) - s_of  # distance from every column's line
        for j in range(len(s_of) - 1):
            between = (away[..., j] >= 0) & (away[..., j + 1] < 0)
            part = np.where(between, away[..., j] / np.where(between, away[..., j] - away[..., j + 1], 1), 0)
            phi = turn[j] + part * (turn[j + 1] - turn[j])
            across, along = s * np.cos(phi) + t * np.sin(phi), t * np.cos(phi) - s * np.sin(phi)
            depth = np.sqrt(np.maximum(radius**2 - across**2, 0)) + along
            seen = (1 - part) * levels[j] + part * levels[j + 1]
            dose += np.where(between, seen * np.exp(-absorption * np.maximum(depth, 0)), 0)
    return dose * (x * x + y * y <= radius**2 * (1 + 1e-12)) / len(light)


def bare_vial(columns, radius, index):
    """Chords of parallel light that enters a vial without a bath, by Snell's law: offset, turn, share.

    At s the surface is met at asin(s / R) and left at asin(s / (n R)): the light turns by the difference towards the
    axis, and passes it at s / n. Beyond about 0.75 R it would cross its neighbours inside. share: any, 1 in the middle.
    """
    s = np.linspace(-0.7, 0.7, columns) * radius
    return s / index, np.arcsin(s / radius) - np.arcsin(s / (index * radius)), 1 - 0.1 * (s / radius) ** 2


def fan(columns, radius, source):
    """Chords of light from a point `source` mm before the axis: lines through it, evenly spaced at the axis."""
    s = np.linspace(-1.1, 1.1, columns) * radius
    turn = -np.arctan(s / source)
    return s * np.cos(turn), turn, np.ones(columns)


def turning_dose(patterns, angle_rad, step, x, y, *, pixel, radius, absorption, parts):
    """Mean dose over a turn at the points x, y in every row; each image stands while the vial turns by `step`, taken in
    `parts` angles."""
    angles, columns, rows = patterns.shape
    dose = np.zeros((len(x), rows))
    for image, middle in zip(patterns, angle_rad, strict=True):
        lit = np.pad(image, ((1, 1), (0, 0)))  # a dark column beyond each edge
        for part in range(parts):
            angle = middle + ((part + 0.5) / parts - 0.5) * step
            s, t = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
            place = np.clip(s / pixel + (columns - 1) / 2 + 1, 0, columns + 1 - 1e-9)
            left = np.floor(place).astype(int)
            share = (place - left)[:, None]
            light = lit[left] * (1 - share) + lit[left + 1] * share
            dose += light * np.exp(-absorption * (np.sqrt(radius**2 - s**2) + t))[:, None]
    return dose / (angles * parts)
