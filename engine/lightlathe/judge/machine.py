"""What a design would run on: this machine, or one that is only known by its numbers."""

from dataclasses import dataclass
from typing import Any

from lightlathe.errors import JobError
from lightlathe.judge.case import PROGRAM_BYTES

UPDATES_PER_S = {"cpu": 2.5e9, "cuda": 5e12}  # voxels times angles in whole iterations, see benchmarks
BEGIN_S = {"cpu": 0.0, "cuda": 5.0}  # on a card kernels are loaded and tried first ...
LEAST_ITERATION_S = {"cpu": 0.0, "cuda": 0.004}  # ... and those of an iteration take their time to start


@dataclass(frozen=True)
class Machine:
    """Memory and speed that a design may count on.

    device              cpu or cuda, without a number
    memory_free_bytes   for the design: on the card where the device is one
    updates_per_s       voxels times angles per second in whole iterations; None: as measured on machines of the kind
    name                in sentences
    """

    device: str
    memory_free_bytes: float
    updates_per_s: float | None = None
    name: str = "this machine"

    def __post_init__(self) -> None:
        if self.device not in UPDATES_PER_S:
            raise JobError(f"device is '{self.device}'; expected one of {', '.join(UPDATES_PER_S)}.")
        if not 0 < self.memory_free_bytes < float("inf"):
            raise JobError(f"memory is {self.memory_free_bytes / 1e9:g} GB; expected a size above 0.")

    def of_case(self) -> dict[str, Any]:
        """The fields of `Case` that a machine decides."""
        return {
            "machine": self.name,
            "memory_free_bytes": self.memory_free_bytes,
            "updates_per_s": self.updates_per_s or UPDATES_PER_S[self.device],
            "program_bytes": PROGRAM_BYTES if self.device == "cpu" else 0.0,
            "begin_s": BEGIN_S[self.device],
            "least_iteration_s": LEAST_ITERATION_S[self.device],
        }
