"""An exposure that is no whole number of turns: how uneven its dose is over the angle.

A result's images are given their light evenly where the exposure is shared by all of them: n turns that take longer or
shorter. Where turns take as long as the job says and the light goes out in the middle of one, some images were shown
once more than the others; opposite sides of the part then get different doses.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from torch import Tensor

from lightlathe.flow.prediction import predict
from lightlathe.flow.recorded import job_of
from lightlathe.judge.quality import quality_of
from lightlathe.quantities import SOLID, slices_of
from lightlathe.result import Record
from lightlathe.support.watching import doing
from lightlathe.support.words import amount, count

WHOLE = 1e-3  # of a turn: timers round by more


@dataclass(frozen=True)
class PartialTurns:
    """An exposure of `turns` turns of the job's turn time, not a whole number.

    each_s          how long each of the nearest whole number of turns takes in the same exposure
    least_percent, most_percent   dose of the part's voxels over that of the same exposure spread evenly, less 100 %
    wrong_voxels, wrong_evenly    that come out wrong on the job's grid, so and with the dose spread evenly
    """

    exposure_s: float
    turns: float
    turn_s: float
    least_percent: float
    most_percent: float
    wrong_voxels: int
    wrong_evenly: int

    @property
    def even(self) -> str:
        """The whole turns that it is taken for."""
        whole = max(1, round(self.turns))
        return f"{count(whole, 'turn')} of {self.exposure_s / whole:.4g} s"

    def text(self) -> str:
        comes = "comes" if self.wrong_voxels == 1 else "come"
        wrong = f", and {count(self.wrong_voxels, 'voxel')} {comes} out wrong instead of {self.wrong_evenly}"
        if self.wrong_voxels <= self.wrong_evenly:  # of a dose too low or too high for all of it, more by chance
            wrong = ""
        return (
            f"{amount(self.exposure_s, 4)} s is {amount(self.turns, 3)} turns of {self.turn_s:g} s. Taken as "
            f"{self.even}, with the same light at all angles. In turns of {self.turn_s:g} s some images are shown "
            f"{_times(math.floor(self.turns))}, the others {_times(math.floor(self.turns) + 1)}: doses in the part "
            f"then lie from {amount(-self.least_percent)} % below to {amount(self.most_percent)} % above even ones"
            f"{wrong}. Expose whole turns, of another length if need be."
        )


def partial_turns(record: Record, exposure_s: float) -> PartialTurns | None:
    """How uneven an exposure is that is no whole number of turns; None for whole turns.

    From the print of the images shown in the last, unfinished turn, which begins with the first image: one prediction
    on the job's own grid.
    """
    patterns = record.patterns
    turn_s = patterns.exposure_s / patterns.turns
    turns = exposure_s / turn_s
    if not math.isfinite(turns) or (abs(turns - round(turns)) < WHOLE and turns > 0.5):
        return None
    images = len(patterns.angle_rad)
    shown = round((turns - math.floor(turns)) * images)
    with doing("the dose of the unfinished turn"):
        levels = patterns.levels.clone()
        levels[shown:] = 0
        dark = replace(record, patterns=replace(patterns, levels=levels))
        last = predict(dark, exposure_s=turn_s, finer=False).dose
    resin, judged = job_of(record).resin.at(exposure_s), record.part.judged
    in_whole, planned = math.floor(turns) / patterns.turns, record.prediction.dose
    low, high = math.inf, -math.inf
    for _, (dose, more, codes) in slices_of(planned, last, judged):
        inside = codes == SOLID
        if bool(inside.any()):
            got = in_whole * dose[inside].double() + more[inside].double()
            even = (turns / patterns.turns * dose[inside].double()).clamp(min=1e-12)
            low, high = min(low, float((got / even).min())), max(high, float((got / even).max()))

    def wrong(whole: float, unfinished: float) -> int:
        """Wrong voxels of so many times the planned dose and that of the unfinished turn."""

        def printed() -> Iterator[tuple[Tensor, ...]]:
            for _, (dose, more, codes) in slices_of(planned, last, judged):
                total = whole * dose + unfinished * more
                yield total, resin.solid(total), codes

        found = quality_of(
            printed, liquid_below_mj_cm3=resin.liquid_below_mj_cm3, solid_above_mj_cm3=resin.solid_above_mj_cm3
        )
        return int(found["wrong_voxels"])

    return PartialTurns(
        exposure_s=exposure_s,
        turns=turns,
        turn_s=turn_s,
        least_percent=100 * (low - 1),
        most_percent=100 * (high - 1),
        wrong_voxels=wrong(in_whole, 1.0),
        wrong_evenly=wrong(turns / patterns.turns, 0.0),
    )


def _times(number: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(number, f"{number} times")
