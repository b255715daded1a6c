"""The machine that a design would run on: this one, or one described by its figures."""

import math
from dataclasses import dataclass

from lightlathe.errors import JobError
from lightlathe.support.memory import PROGRAM_BYTES

UPDATES_PER_S = {"cpu": 2.2e9, "cuda": 5e12}  # voxels times angles in whole iterations, per core and per card ...
MEASURED_ON = {"cpu": "a server's core of 2023", "cuda": "an H200"}  # ... of these, see benchmarks
# on a card kernels are loaded first (compiling them, once, takes 7 to 12 s more) ...
BEGIN_S = {"cpu": 0.0, "cuda": 0.5}
EACH_S = {"cpu": 0.0, "cuda": 0.004}  # ... and those of an iteration take their time to start


@dataclass(frozen=True)
class Machine:
    """Memory and speed that a design may count on.

    device              cpu or cuda, without a number
    memory_free_bytes   for the design, on the card where the device is one; None where unknown
    speeds              (updates of an iteration, updates per second), growing in the first, as `lightlathe bench`
                        measured them; an update is a voxel times an angle. None: as on machines of the kind
    name                in sentences
    cores               that a design uses, on a CPU
    main_free_bytes     beside a card: main memory, where designs that the card does not hold at once keep the whole
    processes           that share a design out, as torchrun starts them, each on a card of its own or on such cores
    """

    device: str = "cpu"
    memory_free_bytes: float | None = None
    speeds: tuple[tuple[float, float], ...] = ()
    name: str = "this machine"
    cores: int = 2
    main_free_bytes: float | None = None
    processes: int = 1

    def __post_init__(self) -> None:
        if self.device not in UPDATES_PER_S:
            raise JobError(f"device is '{self.device}'; expected one of {', '.join(UPDATES_PER_S)}.")
        if self.processes < 1:
            raise JobError(f"{self.processes} processes share the design; expected 1 or more.")
        if self.memory_free_bytes is not None and not 0 < self.memory_free_bytes < float("inf"):
            raise JobError(f"memory is {self.memory_free_bytes / 1e9:g} GB; expected a size above 0.")

    def speed(self, updates: float) -> float:
        """Updates per second in iterations of so many updates: as measured at the size that is nearest."""
        if not self.speeds:
            return UPDATES_PER_S[self.device] * (self.cores if self.device == "cpu" else 1)
        return min(self.speeds, key=lambda pair: abs(math.log(pair[0] / max(updates, 1.0))))[1]

    @property
    def speed_source(self) -> str:
        """Where `speed` comes from, in words."""
        if self.speeds:
            return "as `lightlathe bench` measured"
        here = " here" if self.name == "this machine" else ""
        each = f"{self.cores} times {MEASURED_ON['cpu']}" if self.device == "cpu" else MEASURED_ON["cuda"]
        return f"if it is as fast as {each}: `lightlathe bench` measures it{here}"

    @property
    def program_bytes(self) -> float:
        """What the program takes before any array, of the memory that counts."""
        return PROGRAM_BYTES if self.device == "cpu" else 0.0
