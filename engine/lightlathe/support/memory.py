"""Memory available for a design: of this machine within its limits, or of a card."""

from pathlib import Path

import torch

PROGRAM_BYTES = 0.49e9  # resident size of a design of next to nothing, torch and compiled loops: 0.46 to 0.51, measured
GROUP = Path("/sys/fs/cgroup")  # limits of a container or a batch job on Linux, version 2


def free_bytes(device: torch.device) -> float:
    """Memory that a design may take on `device`: what the card has free, or what is available here.

    Available, not free: it includes file caches, which the system releases on demand (psutil.virtual_memory).
    """
    if device.type == "cuda":
        return float(torch.cuda.mem_get_info(device)[0])
    import psutil

    return min(float(psutil.virtual_memory().available), within_limit(GROUP))


def within_limit(group: Path) -> float:
    """What a control group leaves: its limit less what is used, files that can be dropped not counted."""
    limit, used = (_text(group / name).strip() for name in ("memory.max", "memory.current"))
    if not (limit.isdigit() and used.isdigit()):
        return float("inf")
    kept = [line.split()[1] for line in _text(group / "memory.stat").splitlines() if line.startswith("inactive_file ")]
    return float(max(0, int(limit) - int(used) + sum(int(size) for size in kept)))


def _text(path: Path) -> str:
    try:
        return path.read_text()
    except OSError:
        return ""
