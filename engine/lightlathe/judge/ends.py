"""Flat ends between two pixel rows, which print up to half a row short: detection and correction.

A cylinder of 6 or 12 rows and 2.4 mm radius on rows of 0.2 mm, voxels as tall as rows, 60 iterations; overlap with the
true shape on voxels a quarter as wide, as it lies and moved half a row, by how far both its ends reach past the middle
between two rows (rows; what reaches past it is part of voxels that are not half covered, and stays liquid):

    past the middle   -0.15      -0.05      0          0.05       0.1        0.2        0.3        0.4
    6 rows            .953 .783  .876 .720  .876 .900  .876 .901  .876 .904  .810 .953  .810 .953  .754 .888
    12 rows           .954 .873  .916 .838  .915 .922  .915 .921  .915 .923  .880 .954  .880 .954  .847 .919

With voxels half as tall the change of sign lies at the same place, between -0.1 and 0.05.
"""

import torch

from lightlathe.quantities import LIQUID, SOLID, FineShape, Volume, slices_of

PAST = 0.45  # of a row: ends that reach further past the middle between two rows lie on the next one
FEW = 12  # voxels across, measured below
REL_TOLERANCE = 1e-3  # of a pixel or a voxel: a mesh in float32 is off by that much where its numbers are some 100 mm
END_SHARE = 0.5  # of the wrong voxels lie at the ends, where the ends are to blame (no source)
DENSER = 1.5  # times as many as in other slices, at least (no source)


def ends_are_to_blame(solid: Volume, fine: FineShape, pixel_mm: float) -> bool:
    """Whether most wrong voxels of the finer grid lie within half a row of the part's ends.

    solid   (x, y, z) bool: what is printed on the finer grid
    """
    wrong, wanted = [], []
    for _, (cured, codes) in slices_of(solid, fine.judged):
        judged = codes.to(cured.device)
        wrong.append(((judged == SOLID) & ~cured | (judged == LIQUID) & cured).sum((0, 1)))
        wanted.append((judged == SOLID).any(0).any(0))
    wrong, used = torch.cat(wrong), torch.cat(wanted).nonzero().flatten()
    if not len(used):
        return False
    slices = max(1, round(pixel_mm / 2 / fine.grid.voxel_mm))
    ends = torch.cat([used[:slices], used[-slices:]]).unique()
    threshold = max(END_SHARE, DENSER * len(ends) / len(used))
    return bool(wrong[ends].sum() > threshold * wrong.sum())


def move_words(move_mm: float) -> str:
    by = f"{move_mm:+.3g}"
    return f"{by} mm more along z for all that is in the job (added to shift_mm[2] or at_mm[2]) lays both onto rows"


def moved_words(moved_mm: float) -> str:
    """That everything was moved along z, as `move_onto_rows` says."""
    return (
        f"moved {'up' if moved_mm > 0 else 'down'} by {abs(moved_mm):.3g} mm, so that flat ends lie on rows of pixels, "
        'which draw them sharp (level_ends = "as_placed" in [grid]: not moved)'
    )


def move_onto_rows(
    ends_mm: tuple[float, float], reach_mm: float, pixel_mm: float, rows: int, resin_height_mm: float, voxel_mm: float
) -> float | None:
    """How far along z both level ends lie on rows, rows being at z = (k - (rows - 1) / 2) * pixel_mm.

    None where they do not both reach to the middle between two rows or up to PAST beyond it now, where no room is left,
    where voxels are no whole share of a row (a cut through voxels would cost more than it brings: 0.92 to 0.85 at 1.5
    voxels a pixel), or where the part is less than FEW voxels across (discs 2 to 6 voxels tall and 12 or 16 across went
    from 0.51 to 0.90 up to 0.91 to 0.94 on the finer grid, with 2 to 8 across as often down as up).

    reach_mm   farthest point of the part from the axis
    """
    per_row = pixel_mm / voxel_mm
    if abs(per_row - round(per_row)) > REL_TOLERANCE or per_row < 1 - REL_TOLERANCE or 2 * reach_mm < FEW * voxel_mm:
        return None
    low, high = ends_mm
    shares = [(z / pixel_mm + (rows - 1) / 2) % 1 for z in ends_mm]
    past = 0.5 - shares[0], shares[1] - 0.5
    if min(past) < -REL_TOLERANCE / 2 or max(past) > PAST:
        return None
    ends = min((rows - 1) * pixel_mm, resin_height_mm) / 2 + REL_TOLERANCE * pixel_mm
    for share in (1 - sum(shares) / 2, -sum(shares) / 2):  # of a row, up or down
        move = share * pixel_mm
        if -ends <= low + move and high + move <= ends:
            return move
    return None
