"""Levels of light that a projector can show, and the code that shows each."""

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from lightlathe.errors import ShapeError
from lightlathe.families import Response


@dataclass(frozen=True)
class Codebook:
    """Every code of a projector and the light it gives. Where images are shown in several one-bit planes, a code is
    the number of planes in which a pixel is lit.

    light        (codes,) float64, rising, 0..1 of full irradiance
    full_scale   level that means 1.0: the highest code where the response is linear, else 65535, so that a level
                 always states the light shown and never the code
    """

    light: np.ndarray
    full_scale: int

    @staticmethod
    def of(bits: int, response: Response, planes: int = 1) -> "Codebook":
        top = 2**bits - 1
        light = response.light(np.arange(top + 1) / top)
        if planes > 1:  # of one bit each, of equal time
            top = planes
            light = light[0] + (light[-1] - light[0]) * np.arange(top + 1) / top
        linear = bool(np.allclose(light, np.arange(top + 1) / top, rtol=0, atol=1e-12))
        return Codebook(light, top if linear else 65535)

    @property
    def levels(self) -> np.ndarray:
        """(codes,) the level of each code, 0..full_scale."""
        return np.rint(self.light * self.full_scale).astype(np.int64)

    def codes_of(self, levels: np.ndarray) -> np.ndarray:
        """The code that shows each level; the darker one where two codes share a level.

        Raises ShapeError for levels above the highest, which no code shows.
        """
        if levels.size and levels.max() > self.levels[-1]:
            raise ShapeError(f"levels go up to {levels.max()}; this projector shows {self.levels[-1]} at most.")
        return np.searchsorted(self.levels, levels).astype(np.uint16)


def quantise(fractions: Tensor, book: Codebook) -> Tensor:
    """Levels (uint8 or uint16 tensor, any shape) nearest in light to `fractions` of full irradiance, 0..1."""
    light = torch.from_numpy(book.levels / book.full_scale).to(fractions)
    between = (light[1:] + light[:-1]) / 2
    code = torch.bucketize(fractions.contiguous(), between, right=True)
    dtype = torch.uint8 if book.full_scale <= 255 else torch.uint16
    table = torch.from_numpy(book.levels).to(device=fractions.device, dtype=torch.int32)
    return table[code].to(dtype)
