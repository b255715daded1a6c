"""Into how many parts the motion of an image's step is cut."""

import math

from torch import Tensor

from lightlathe.errors import ShapeError

DESIGN_STANDS = 0.3  # of a pixel, that light moves at the part's reach: up to this a design takes the vial to stand ...
DESIGN_SUBSTEP = 0.4  # ... beyond it moves so far at most from part to part; both chosen by benchmarks/QUALITY.md
SUBSTEP = 0.25  # of a pixel or voxel, whichever is smaller: how far light moves at the part's reach from part to part


def substeps(step_rad: float, reach_mm: float, pixel_mm: float, voxel_mm: float) -> int:
    """Into how many parts an image's step is cut, so that from one to the next light moves SUBSTEP at `reach_mm`.

    Images times parts is 8 pi reach / pixel or just above, however many images a turn has.
    """
    return max(1, math.ceil(abs(step_rad) * reach_mm / (SUBSTEP * min(pixel_mm, voxel_mm)) - 1e-9))


def few_parts(step_rad: float, reach_mm: float, pixel_mm: float) -> int:
    """Into how many parts a design cuts an image's step, by how far light moves meanwhile at `reach_mm`.

    1 where that is DESIGN_STANDS at most; else 2 or more, so that it is DESIGN_SUBSTEP at most from part to part.
    """
    moved = abs(step_rad) * reach_mm / pixel_mm - 1e-9
    return 1 if moved <= DESIGN_STANDS else max(2, math.ceil(moved / DESIGN_SUBSTEP))


def step_of(angle_rad: Tensor) -> float:
    """The angle from one image to the next, a whole turn for a single image; ShapeError where it is not always one."""
    if len(angle_rad) < 2:
        return 2 * math.pi
    steps = angle_rad.diff()
    if bool(((steps - steps[0]).abs() > 1e-6 * steps[0].abs()).any()):
        raise ShapeError(
            f"scan angles are {float(steps.abs().min()):.6g} to {float(steps.abs().max()):.6g} rad apart; expected "
            "even steps for a vial that turns all the time."
        )
    return float(steps[0])
