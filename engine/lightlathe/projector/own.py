"""A response curve of the user's own: a class with `light`, or that function alone."""

from typing import Any

import numpy as np

from lightlathe.errors import JobError
from lightlathe.support.own import OwnMember

CODES = np.arange(256) / 255


class OwnResponse(OwnMember):
    """A response from a user's file."""

    family, method, trial = "response", "light", "on 256 codes"

    def try_out(self, found: Any) -> None:
        """Raise JobError unless light goes up from 0 or more to 1, a number for each code."""
        light = self.guarded(found.light)(CODES.copy())
        if not isinstance(light, np.ndarray) or light.shape != CODES.shape or light.dtype.kind != "f":
            got = f"{light.dtype} {light.shape}" if isinstance(light, np.ndarray) else type(light).__name__
            raise JobError(f"{self.where}: gives {got} for 256 codes; expected a NumPy array with a float for each.")
        if not np.isfinite(light).all() or (np.diff(light) < 0).any() or light[0] < 0 or abs(light[-1] - 1) > 1e-6:
            raise JobError(
                f"{self.where}: light goes from {light[0]:.6g} to {light[-1]:.6g} for codes 0 to 1; expected finite "
                "numbers that never fall, from 0 or more to 1."
            )
