"""A shape of the user's own: a class with what families/shape.py asks, or a function that makes one."""

import math
from typing import Any

import numpy as np
import torch

from lightlathe.errors import JobError
from lightlathe.quantities import Grid
from lightlathe.support.own import OwnMember

TRIED = 16  # voxels along the longest side of the box
VOLUME = 0.05  # relative difference allowed between the volume of the coverage and the one stated


class OwnShape(OwnMember):
    """A shape from a user's file, made with the settings by a class or a function; it may be a `Voxels`."""

    family, makes, trial = "shape", True, f"on {TRIED} voxels along its longest side"

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` has a box in the vial and fills voxels as much as its volume says."""
        for name in ("bounds_mm", "at_mm", "reach_mm", "volume_mm3", "thinnest_mm", "coverage", "triangles"):
            if not hasattr(found, name):
                raise JobError(f"{self.where}: gives {type(found).__name__} without {name}; expected a shape.")
        bounds = np.asarray(found.bounds_mm, dtype=np.float64)
        if bounds.shape != (2, 3) or not np.isfinite(bounds).all() or (bounds[1] <= bounds[0]).any():
            raise JobError(f"{self.where}: bounds_mm is {bounds.tolist()}; expected its lowest and highest corner.")
        for name in ("reach_mm", "volume_mm3", "thinnest_mm"):
            value = float(getattr(found, name))
            if not (math.isfinite(value) and value > 0):
                raise JobError(f"{self.where}: {name} is {value}; expected a number above 0.")
        voxel = float((bounds[1] - bounds[0]).max()) / TRIED
        nx, ny, nz = (2 * math.ceil(far / voxel + 1) for far in np.abs(bounds).max(0))
        if nx * ny * nz > 5e6:  # far off the axis: told when it is fitted into the vial
            return
        covered = found.coverage(Grid((nx, ny, nz), voxel), "cpu")
        if not isinstance(covered, torch.Tensor) or covered.shape != (nx, ny, nz) or covered.dtype != torch.float32:
            got = f"{covered.dtype} {tuple(covered.shape)}" if isinstance(covered, torch.Tensor) else type(covered)
            raise JobError(f"{self.where}: coverage gives {got}; expected torch.float32 {(nx, ny, nz)}.")
        if not bool(((covered >= 0) & (covered <= 1)).all()):
            raise JobError(f"{self.where}: coverage lies outside 0..1; expected covered fractions.")
        far = float((Grid((nx, ny, nz), voxel).radius_mm() * (covered >= 0.5).any(2)).amax())
        reach = float(found.reach_mm)
        if far > reach + voxel:
            raise JobError(
                f"{self.where}: coverage reaches {far:.4g} mm from the axis and reach_mm is {reach:.4g}; expected it "
                "to lie within that, where the light goes."
            )
        volume, stated = float(covered.double().sum()) * voxel**3, float(found.volume_mm3)
        if abs(volume - stated) > VOLUME * stated:
            raise JobError(
                f"{self.where}: coverage adds up to {volume:.4g} mm3 and volume_mm3 is {stated:.4g}; expected the same."
            )
