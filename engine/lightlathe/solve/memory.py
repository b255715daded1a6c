"""How much memory a run holds, and how much a design will."""

import math
import os
from pathlib import Path

import torch

from lightlathe.solve.lbfgs import BoundedLBFGS

ARRAYS = {"AcceleratedGradient": 10, "Adam": 14, "BoundedLBFGS": 12, "FreeSetRamp": 10, "PrimalDual": 6}
FEW_VOLUMES, VOLUMES = {"SoftWindow": 9, "SquaredError": 9}, 18


def copies(solver: object, loss: object) -> tuple[int, int]:
    """Arrays of 4 bytes a number that a design holds at its peak: as large as the patterns, and as the dose.

    Measured as the growth of the resident size with either, in plain torch on a CPU; a card holds fewer. Solvers and
    losses of one's own are taken for the largest here.
    """
    arrays = ARRAYS.get(type(solver).__name__, max(ARRAYS.values()))
    if isinstance(solver, BoundedLBFGS):
        arrays += math.ceil(2 * solver.memory * solver.pair_bits / 32)
    return arrays, FEW_VOLUMES.get(type(loss).__name__, VOLUMES)


def memory_bytes(device: torch.device) -> int:
    """Bytes that torch holds on a CUDA device; for the CPU, the resident size of this process (0 where unknown)."""
    if device.type == "cuda":
        return torch.cuda.memory_allocated(device)
    statm = Path("/proc/self/statm")
    return int(statm.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") if statm.exists() else 0
