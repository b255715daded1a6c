"""Where a job runs, and whether its arrays fit there."""

import torch

from lightlathe.errors import JobError, shown
from lightlathe.job import Job
from lightlathe.quantities import Grid
from lightlathe.support.memory import free_bytes
from lightlathe.support.ranks import local_rank
from lightlathe.support.words import amount


def require_memory(grid: Grid, device: torch.device, patterns: int = 0) -> None:
    """JobError where not even two volumes of the grid or two arrays of `patterns` numbers, those of the lit pixels of
    all images, fit; `lightlathe check` estimates the whole design."""
    free, needed = free_bytes(device), 8.0 * grid.voxels
    if 8.0 * patterns > free:
        raise JobError(
            f"the lit pixels of all images of a turn take {8e-9 * patterns:.3g} GB twice over, and {free / 1e9:.3g} GB "
            f"are available on {device}.\n  Fewer angles in [turn], or larger and so fewer pixels in [light], would "
            "fit."
        )
    if needed > free:
        larger = grid.voxel_mm * (needed / free) ** (1 / 3) * 2
        raise JobError(
            f"a grid of {' x '.join(str(n) for n in grid.shape)} voxels takes {amount(needed / 1e9, 3)} GB for two "
            f"volumes, and {amount(free / 1e9, 3)} GB are available on {device}.\n  voxel_mm = {amount(larger)} in "
            "[grid] would fit."
        )


def device_of(job: Job) -> torch.device:
    """The job's device; `auto` is a CUDA card if there is one."""
    return device_named(job.design.device, "device in [design]")


def device_named(name: str, where: str) -> torch.device:
    """The device of that name; JobError, naming `where`, if it is unknown or absent."""
    if name == "auto":
        name = "cuda" if torch.cuda.is_available() else "cpu"
    if name == "cuda" and (rank := local_rank()) is not None:  # each process of a machine has a card of its own
        name = f"cuda:{rank}"
    try:
        device = torch.device(name)
    except RuntimeError:
        device = None
    if device is None or device.type not in ("cpu", "cuda"):
        raise JobError(f"{where} is {shown(name)}; expected auto, cpu, cuda or cuda:0.")
    if device.type == "cpu":
        return torch.device("cpu")
    if not torch.cuda.is_available():
        raise JobError(f"{where} is '{name}', but torch sees no CUDA card; expected cpu here.")
    if (device.index or 0) >= torch.cuda.device_count():
        raise JobError(
            f"{where} is '{name}', and torch sees {torch.cuda.device_count()} CUDA card(s), counted from cuda:0."
        )
    return device
