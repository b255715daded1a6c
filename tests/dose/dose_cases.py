"""Cases that the tests of the dose operator share."""

import torch

from lightlathe.beams.telecentric import full_turn
from lightlathe.dose.kernels import KERNELS, choose
from lightlathe.dose.views import Views
from lightlathe.errors import KernelUnavailable

CPU = torch.device("cpu")


def runnable(dtype: torch.dtype) -> list[str]:
    """Every kernel of the table that computes on this CPU in this dtype; those of the GPU have test_gpu_kernels.py."""
    views = Views(full_turn(4), 5, 1.0, 4, 4, 1.0, 2.0, 0.1)
    found = []
    for name in KERNELS:
        try:
            choose(name, views, CPU, dtype)
        except KernelUnavailable:
            continue
        found.append(name)
    return found


# what each case is for: settings of `operator`
CASES: dict[str, dict] = {
    "even": {"shape": (6, 8, 4), "columns": 10, "rows": 4, "angles": 4},
    "odd": {"shape": (7, 5, 3), "columns": 9, "rows": 3, "angles": 5},
    "unlike": {"shape": (5, 12, 7), "columns": 8, "rows": 7, "angles": 7},
    "pixel finer": {"shape": (6, 7, 5), "pixel": 0.3, "columns": 13, "rows": 9, "angles": 6},
    "pixel much finer": {"shape": (6, 5, 3), "pixel": 0.07, "columns": 40, "rows": 21, "angles": 3},
    "pixel coarser": {"shape": (6, 7, 5), "pixel": 0.8, "columns": 5, "rows": 4, "angles": 6},
    "pixel much coarser": {"shape": (9, 7, 5), "pixel": 2.3, "columns": 2, "rows": 2, "angles": 3},
    "one angle": {"angles": 1},
    "one column": {"columns": 1},
    "one row": {"shape": (4, 5, 1), "rows": 1},
    "one of each": {"shape": (1, 1, 1), "columns": 1, "rows": 1, "angles": 1},
    "one row of voxels": {"shape": (9, 1, 2), "columns": 12},
    "no absorption": {"absorption": 0.0},
    "narrow vial": {"shape": (9, 9, 2), "radius": 0.8, "columns": 9},
    "fewer columns than voxels": {"shape": (40, 30, 3), "radius": 9.0, "columns": 5, "rows": 3},
    "off the axis": {"shape": (6, 8, 4), "columns": 10, "rows": 4, "angles": 4, "axis_offset": 0.07},
    "off the axis, finer": {"pixel": 0.13, "columns": 20, "rows": 9, "angles": 3, "axis_offset": -0.4},
    "bent": {"shape": (5, 7, 3), "columns": 7, "rows": 3, "angles": 5, "bend": 0.3},
    "bent, finer": {"pixel": 0.1, "columns": 30, "rows": 5, "angles": 3, "bend": -0.4, "axis_offset": 0.03},
    "bent, coarser": {"pixel": 0.8, "columns": 5, "rows": 3, "angles": 5, "bend": -0.4},
    "bent tiles": {"shape": (53, 27, 5), "radius": 11.0, "columns": 47, "rows": 5, "angles": 67, "bend": 0.02},
    "tiles and blocks": {"shape": (53, 27, 67), "radius": 11.0, "columns": 47, "rows": 67, "angles": 67},
}
