"""Response curves: the light, 0..1 of full irradiance, that a projector gives for a code 0..1.

A measured table is better than any formula: a projector set to "linear" seldom is.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lightlathe.errors import JobError, shown


@dataclass(frozen=True)
class Linear:
    """Light grows with the code: modulation by time alone, with the projector's picture corrections off."""

    def light(self, code: np.ndarray) -> np.ndarray:
        return np.asarray(code, dtype=np.float64)


@dataclass(frozen=True)
class Power:
    """light = code ** exponent, the old display gamma.

    Check: exponent 2.2 and code 128 of 255 give 0.2195 (common practice).
    """

    exponent: float = 2.2

    def __post_init__(self) -> None:
        if not 0 < self.exponent <= 10:
            raise JobError(f"exponent is {self.exponent}; expected a response exponent above 0, usually 2.2.")

    def light(self, code: np.ndarray) -> np.ndarray:
        return np.asarray(code, dtype=np.float64) ** self.exponent


@dataclass(frozen=True)
class Srgb:
    """The sRGB curve (IEC 61966-2-1): linear below code 0.04045, then a power of 2.4."""

    def light(self, code: np.ndarray) -> np.ndarray:
        code = np.asarray(code, dtype=np.float64)
        return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


@dataclass(frozen=True)
class Table:
    """Measured light at measured codes (both 0..1, rising), linear between them."""

    code: tuple[float, ...]
    relative_light: tuple[float, ...]

    def __post_init__(self) -> None:
        for name, values in (("code", self.code), ("relative_light", self.relative_light)):
            rising = all(a < b for a, b in pairwise(values))
            if len(values) < 2 or not rising or values[0] != 0 or values[-1] != 1:
                raise JobError(f"{name} is {shown(list(values))}; expected rising numbers from 0 to 1, two or more.")
        if len(self.code) != len(self.relative_light):
            raise JobError(
                f"the table has {len(self.code)} codes and {len(self.relative_light)} values of light; "
                "expected as many of each."
            )

    def light(self, code: np.ndarray) -> np.ndarray:
        return np.interp(np.asarray(code, dtype=np.float64), self.code, self.relative_light)
