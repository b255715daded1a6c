"""The machine that a design would run on: this one, or one described by its figures."""

from dataclasses import dataclass

from lightlathe.errors import JobError

PROGRAM_BYTES = 0.49e9  # resident size of a design of next to nothing, torch and compiled loops: 0.46 to 0.51, measured
UPDATES_PER_S = {"cpu": 2.5e9, "cuda": 5e12}  # voxels times angles in whole iterations, see benchmarks
BEGIN_S = {"cpu": 0.0, "cuda": 5.0}  # on a card kernels are loaded and tried first ...
LEAST_ITERATION_S = {"cpu": 0.0, "cuda": 0.004}  # ... and those of an iteration take their time to start


@dataclass(frozen=True)
class Machine:
    """Memory and speed that a design may count on.

    device              cpu or cuda, without a number
    memory_free_bytes   for the design, on the card where the device is one; None where unknown
    updates_per_s       voxels times angles per second in whole iterations; None: as measured on machines of the kind
    name                in sentences
    """

    device: str = "cpu"
    memory_free_bytes: float | None = None
    updates_per_s: float | None = None
    name: str = "this machine"

    def __post_init__(self) -> None:
        if self.device not in UPDATES_PER_S:
            raise JobError(f"device is '{self.device}'; expected one of {', '.join(UPDATES_PER_S)}.")
        if self.memory_free_bytes is not None and not 0 < self.memory_free_bytes < float("inf"):
            raise JobError(f"memory is {self.memory_free_bytes / 1e9:g} GB; expected a size above 0.")

    @property
    def speed(self) -> float:
        """Voxels times angles per second, as told or as measured on machines of the kind."""
        return self.updates_per_s or UPDATES_PER_S[self.device]

    @property
    def program_bytes(self) -> float:
        """What the program takes before any array, of the memory that counts."""
        return PROGRAM_BYTES if self.device == "cpu" else 0.0
