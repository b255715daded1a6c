"""How much memory a run holds."""

import os
from pathlib import Path

import torch


def memory_bytes(device: torch.device) -> int:
    """Bytes that torch holds on a CUDA device; for the CPU, the resident size of this process (0 where unknown)."""
    if device.type == "cuda":
        return torch.cuda.memory_allocated(device)
    statm = Path("/proc/self/statm")
    return int(statm.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") if statm.exists() else 0
