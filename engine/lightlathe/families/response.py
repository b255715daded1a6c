"""The light of a projector, by code."""

from typing import Protocol

import numpy as np


class Response(Protocol):
    def light(self, code: np.ndarray) -> np.ndarray:
        """Light 0..1 of full irradiance for codes 0..1: never falling, 1 at code 1."""
        ...
