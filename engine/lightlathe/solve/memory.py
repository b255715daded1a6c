"""How much memory a run holds, and how much a design will."""

import math
import os
from pathlib import Path

import torch

from lightlathe.solve.auto import Auto
from lightlathe.solve.lbfgs import BoundedLBFGS
from lightlathe.solve.slicewise import SlicewiseLBFGS

# arrays as large as the patterns, by solver, and as the dose, by loss: on a CPU, on a card; pairs come on top
ARRAYS = {
    "AcceleratedGradient": (10, 7),
    "Adam": (14, 8),
    "BoundedLBFGS": (12, 6),
    "FreeSetRamp": (10, 6),
    "PrimalDual": (6, 6),
    "SlicewiseLBFGS": (12, 6),
}
ROUNDING = (
    8  # arrays more that a card holds while levels are chosen, what the solver keeps for a resumption beside them
)
VOLUMES = {"GapHinge": (18, 5), "SoftWindow": (9, 5), "SquaredError": (9, 9)}
OTHER_ARRAYS, OTHER_VOLUMES = (14, 14), (18, 18)


def copies(solver: object, loss: object, device: str = "cpu") -> tuple[int, int]:
    """Arrays of 4 bytes a number that a design holds at its peak: as large as the patterns, and as the dose.

    Measured as the growth of the resident size with either, in plain torch on a CPU, and on a card (benchmarks/GPU.md).
    Solvers and losses that were not measured, one's own among them, are taken for the largest of the others.
    """
    card, solver = int(device == "cuda"), SlicewiseLBFGS() if isinstance(solver, Auto) else solver
    arrays = ARRAYS.get(type(solver).__name__, OTHER_ARRAYS)[card] + ROUNDING * card
    if isinstance(solver, (BoundedLBFGS, SlicewiseLBFGS)):
        arrays += math.ceil(2 * solver.memory / 4)
    return arrays, VOLUMES.get(type(loss).__name__, OTHER_VOLUMES)[card]


def memory_bytes(device: torch.device) -> int:
    """Bytes that torch holds on a CUDA device; for the CPU, the resident size of this process (0 where unknown)."""
    if device.type == "cuda":
        return torch.cuda.memory_allocated(device)
    statm = Path("/proc/self/statm")
    return int(statm.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") if statm.exists() else 0
