"""What the numbers were measured on."""

import importlib.metadata
import os
import platform
from pathlib import Path
from typing import Any

import psutil
import torch

from lightlathe.support.hardware import processor

PACKAGES = ("torch", "numpy", "numba", "llvmlite", "triton")


def machine(device: torch.device) -> dict[str, Any]:
    """Processor, cores, memory, card and versions, as plain values."""
    found: dict[str, Any] = {
        "device": str(device),
        "processor": processor(),
        "cores": cores(),
        "threads": torch.get_num_threads(),
        "memory_bytes": psutil.virtual_memory().total,
        "system": platform.platform(),
        "python": platform.python_version(),
    }
    for package in PACKAGES:
        try:
            found[package] = importlib.metadata.version(package)
        except importlib.metadata.PackageNotFoundError:
            found[package] = None
    if device.type == "cuda":
        card = torch.cuda.get_device_properties(device)
        found |= {"card": card.name, "card_memory_bytes": card.total_memory, "cuda": torch.version.cuda}
    return found


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def peak_bytes(device: torch.device) -> int:
    """Most memory held so far: by torch on a card since its counter was reset, by the whole process on a CPU."""
    if device.type == "cuda":
        return torch.cuda.max_memory_allocated(device)
    for line in _lines("/proc/self/status"):
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    return 0


def _lines(path: str) -> list[str]:
    try:
        return Path(path).read_text().splitlines()
    except OSError:
        return []
