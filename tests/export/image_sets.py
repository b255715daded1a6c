"""Sets of images for tests of frames, videos and the player: known levels, and what a frame of them must look like."""

import math

import numpy as np
import torch

from lightlathe.export.images import Images
from lightlathe.quantities import Patterns


def as_they_are(levels):
    return levels


def random_levels(shape, top=255, seed=1):
    """(angle, column, row): every level from 0 to top at least once, if there is room, and else at random."""
    random = np.random.default_rng(seed)
    levels = random.integers(0, top + 1, shape)
    levels.flat[: top + 1] = np.arange(top + 1)[: levels.size]
    return torch.from_numpy(levels.astype(np.uint8 if top < 256 else np.uint16))


def images_of(levels, turn_s=7.0, turns=3, bits=8, motion="continuous", top=None, **more):
    """`levels` (angle, column, row) shown as they are; `turns` of the exposure, one is written unless `more` says."""
    angles = len(levels)
    scan = torch.arange(angles).double() * 2 * math.pi / angles
    full = top or 2**bits - 1
    patterns = Patterns(levels, scan, full, 0.05, 20.0, dwell_s=turn_s / angles, turns=turns)
    facts = {"name": "set", "caution": "light"}
    written = more.pop("written", 1)
    return Images(patterns, as_they_are, bits, motion, facts, turns=written, **more)


def upright(levels):
    """(frame, row, column) as a projector shows them, for levels (angle, column, row from below): columns from the
    left, rows from the top, written out here once more."""
    return levels.numpy().transpose(0, 2, 1)[:, ::-1]
