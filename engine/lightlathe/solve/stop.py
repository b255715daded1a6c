"""When a design stops before its iterations are spent."""

from dataclasses import dataclass

from lightlathe.errors import JobError


@dataclass(frozen=True)
class StopRule:
    """When to stop before the iterations are spent; fields are job keys, None means never.

    window        relative process window reached with no voxel wrong
    wrong_voxels  at most this many voxels wrong
    seconds       wall time since the design began; stages before the last (flow/stages.py) may use half of it
    stall         iterations without a better design
    """

    window: float | None = None
    wrong_voxels: int | None = None
    seconds: float | None = None
    stall: int | None = None

    def __post_init__(self) -> None:
        for name, least in (("wrong_voxels", 0), ("seconds", 1e-9), ("stall", 1)):
            value = getattr(self, name)
            if value is not None and not value >= least:
                raise JobError(f"{name} is {value}; expected {'above 0' if least == 1e-9 else f'{least} or more'}.")

    def reason(self, row: dict[str, float]) -> str | None:
        if self.window is not None and row["best_wrong"] == 0 and row["best_window"] >= self.window:
            return f"process window of {row['best_window']:.3f} reached, {self.window} asked for"
        if self.wrong_voxels is not None and row["best_wrong"] <= self.wrong_voxels:
            return f"{row['best_wrong']:.0f} wrong voxels, {self.wrong_voxels} allowed"
        if self.seconds is not None and row["seconds"] >= self.seconds:
            return f"{self.seconds} s spent"
        if self.stall is not None and row["iteration"] - row["best_iteration"] >= self.stall:
            return f"no better design in {self.stall} iterations"
        return None
