"""Doses at and around a part's surface, and in its core: what a print that came out is held against."""

from dataclasses import dataclass

import numpy as np

from lightlathe.errors import JobError
from lightlathe.quantities import IGNORED, LIQUID, SOLID, Part, Volume, any_in_slices

GAP = 0.4  # voxels from the surface to the centre beyond it: 0.5 on a face along the grid, 0.25 to 0.35 on round ones
SHELLS = 20  # voxels on either side of the surface that are used
BLOCK_VOXELS = 1 << 24  # distances are worked out in slices around the part's middle, no more voxels than this
CORE_SHARE = 0.1  # of the part's inner voxels: those nearest to the axis are its core
DEEP = 2.0  # voxels below the surface at which the core begins, where the part is thick enough


@dataclass(frozen=True)
class Across:
    """Where the part's voxels lie against its surface; worked out once, for the doses of any prediction.

    block     the slices used
    known     (x, y, slice) bool: voxels that are judged
    steps     (known voxels,) whole voxels from the surface, inside below 0
    away      (known voxels,) the same distance in voxels
    core      (x, y, slice) bool
    voxel_mm  their pitch
    """

    block: slice
    known: np.ndarray
    steps: np.ndarray
    away: np.ndarray
    core: np.ndarray
    voxel_mm: float

    @staticmethod
    def of(part: Part) -> "Across":
        """Of the whole shape, a tolerance band included. JobError where there is no part, or nothing around it."""
        from scipy.ndimage import distance_transform_edt

        judged = part.judged if part.whole is None else part.whole
        block = middle_slices(judged)
        judged = judged[..., block].cpu()
        solid = (judged == SOLID).numpy()
        if not solid.any() or not bool((judged == LIQUID).any()):
            what = "nothing around the part is judged" if solid.any() else "the part is empty"
            raise JobError(
                f"there is no surface to compare with: {what}. Say 'nothing' where nothing came out; else try 1.2 "
                "times the exposure, or 0.85 times."
            )
        inner, outer = np.asarray(distance_transform_edt(solid)), np.asarray(distance_transform_edt(~solid))
        known = (judged != IGNORED).numpy()
        away = np.where(solid, GAP - inner, outer - GAP)[known]
        return Across(block, known, np.floor(away).astype(int), away, _core(inner, part), part.grid.voxel_mm)

    def profile(self, dose: Volume, share: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
        """(distance mm, dose mJ/cm3): dose against distance from the surface, inside negative.

        share   of the voxels at that distance that get less: the median by default

        Doses are made to fall from inside to outside (a running extreme from the surface on), since no threshold can
        lie where the dose rises outwards. Distances are between voxel centres, less GAP: good to a quarter voxel.
        """
        values = self._values(dose)[self.known]
        shells = [self.steps == n for n in range(max(self.steps.min(), -SHELLS), min(self.steps.max(), SHELLS) + 1)]
        places = np.array([self.voxel_mm * self.away[shell].mean() for shell in shells if shell.any()])
        medians = np.array([max(float(np.quantile(values[shell], share)), 1e-12) for shell in shells if shell.any()])
        inside = places < 0
        medians[inside] = np.maximum.accumulate(medians[inside][::-1])[::-1]
        medians[~inside] = np.minimum.accumulate(medians[~inside])
        return places, medians

    def core_dose(self, dose: Volume) -> float:
        """Median dose in the core, mJ/cm3."""
        return float(np.median(self._values(dose)[self.core]))

    def _values(self, dose: Volume) -> np.ndarray:
        return dose[..., self.block].detach().cpu().double().numpy()


def _core(inner: np.ndarray, part: Part) -> np.ndarray:
    """The CORE_SHARE of the part's voxels DEEP below its surface that lie nearest to the turning axis."""
    deep = inner >= min(DEEP, float(inner.max()))
    x, y = (part.grid.centres_mm(axis).double().numpy() for axis in (0, 1))
    radius = np.broadcast_to(np.hypot(x[:, None], y[None, :])[..., None], inner.shape)
    return deep & (radius <= np.quantile(radius[deep], CORE_SHARE))


def middle_slices(judged: Volume) -> slice:
    """Slices of the part around its middle, as many as BLOCK_VOXELS allow.

    None above or below the part: past a flat end lies a dark row, whose dose says nothing of a threshold.
    """
    nx, ny, _ = judged.shape
    used = any_in_slices(judged, lambda codes: codes == SOLID).nonzero().flatten()
    if not len(used):
        return slice(0, 1)
    low, high = int(used[0]), int(used[-1]) + 1
    count = max(1, min(high - low, BLOCK_VOXELS // (nx * ny)))
    first = min(max(low, int(used.double().mean()) - count // 2), high - count)
    return slice(first, first + count)
