"""Names of this machine's processor and card, and the folder where what was found out about it is kept."""

import os
import platform
import re
import sys
from pathlib import Path

import torch


def processor() -> str:
    """The processor's model, as the system names it."""
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        lines = []
    for line in lines:
        if line.startswith("model name"):
            return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def model(device: torch.device) -> str:
    """What designs run on: the card, or the processor and as many threads as torch uses."""
    if device.type == "cuda":
        return torch.cuda.get_device_name(device)
    return f"{processor()}, {torch.get_num_threads()} threads"


def kept_file(what: str, device: torch.device) -> Path:
    """The JSON file in the user's cache folder for what was found out about this model of processor or card."""
    if sys.platform == "win32" and "LOCALAPPDATA" in os.environ:
        folder = Path(os.environ["LOCALAPPDATA"])
    else:
        folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return folder / "lightlathe" / f"{what}-{re.sub('[^a-z0-9]+', '-', model(device).lower()).strip('-')}.json"
