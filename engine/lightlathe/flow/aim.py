"""Choice of the exposure: right on the job's own voxels and, among those, the one that prints the true shape best."""

import dataclasses
import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from lightlathe.dose import Turning, gain_mj_cm3
from lightlathe.errors import JobError
from lightlathe.families.linear_map import doses
from lightlathe.flow.formulation import worst_case
from lightlathe.flow.prepare import Setup
from lightlathe.job import Job
from lightlathe.judge import ExposurePlan, best_thresholds, between, plan_exposure
from lightlathe.judge.order import Pieces, pieces_of
from lightlathe.quantities import FineShape, Light, Part, Patterns, Volume, at_hand, unpacked_from

SETTLED_AFTER = 10  # rounds after which an exposure may only grow
KEPT = 0.25  # of the right exposures, at either end, is kept as margin where another would print the true shape better;
KEPT_PERCENT = 2.5  # and as much of the exposure, as far as the window has it: report/warnings.py warns below 2


@dataclass(frozen=True)
class Aim:
    """The exposure at which the true shape prints best, judged on the finest grid of the job, without a tolerance band.

    share    among the right exposures, 0 the shortest, 1 the longest; see `between`
    factor   best exposure over the one that prints the job's own voxels best, where no exposure is right
    """

    share: float = 0.5
    factor: float = 1.0


MIDDLE = Aim()


@dataclass(frozen=True)
class Doses:
    """Doses of one turn of levels (0..1 of full irradiance), for all scenarios of the job."""

    setup: Setup
    levels: Light

    @cached_property
    def extremes(self) -> tuple[float, float]:
        """(max dose outside the part, min dose inside), mJ/cm3."""
        cases = worst_case(self.setup, self.levels, gain_per_turn(self.setup.job))
        return max(max_outside for max_outside, _ in cases), min(min_inside for _, min_inside in cases)

    @cached_property
    def best(self) -> tuple[float, float]:
        """Thresholds that print the job's own voxels best, without scenarios."""
        setup, slices = self.setup, self.setup.slabs.dose
        judged = setup.part.judged if slices is None else at_hand(setup.part.judged, setup.device)
        return best_thresholds(_judged(setup, setup.turning, self.levels, judged, slices))[:2]

    def plan(
        self, full_turns: float | None = None, resin_after_s: float | None = None, aim: Aim = MIDDLE
    ) -> ExposurePlan:
        """The exposure that suits these levels.

        full_turns      of these levels, where the job wants doses as they are
        resin_after_s   the resin needs the doses of an exposure of this long; without it, of the exposure found
        """
        turn, resin = self.setup.job.turn, self.setup.job.resin
        max_outside, min_inside = self.extremes
        before, least_turns = math.nan, 1
        if resin_after_s is not None:
            resin = resin.at(resin_after_s)
        window = min_inside > max_outside and (resin.liquid_below_mj_cm3 > 0 or max_outside <= 0)
        best = None if window else (self.best[0] / aim.factor, self.best[1] / aim.factor)
        for round_ in range(50):  # fixed point: an inhibited resin's thresholds depend on the exposure time
            plan = plan_exposure(
                max_outside,
                min_inside,
                resin.liquid_below_mj_cm3,
                resin.solid_above_mj_cm3,
                turn.seconds_per_turn,
                turn.longest_s,
                best_per_turn=best,
                full_turns=full_turns,
                least_turns=least_turns,
                aim=aim.share,
            )
            if resin_after_s is not None or plan.exposure_s == before or resin.at(plan.exposure_s) == resin:
                return plan
            before, resin = plan.exposure_s, resin.at(plan.exposure_s)
            if round_ >= SETTLED_AFTER:  # where it alternates between two counts: the longer, dimmed
                least_turns = max(least_turns, plan.turns)
        raise JobError(
            "no exposure suits this resin: the dose it needs changes with the time as fast as the light gives it."
        )


def aim_of(turn: Doses) -> Aim:
    """Where the true shape prints best: see Aim. Computed with a quarter of the substeps: the optimum is flat.

    On the finer grid; on the job's own where there is none, which says something only with a tolerance band.
    """
    setup = turn.setup
    shape = honest_shape(setup)
    if shape is None:
        return MIDDLE
    plan = turn.plan()
    rough = setup.turning.coarser() if isinstance(setup.turning, Turning) else setup.turning
    own = shape.grid == setup.part.grid
    slices = setup.slabs.dose if own else setup.slabs.fine
    pieces = _judged(setup, rough.on(shape.grid), turn.levels, shape.judged, slices)
    asked = plan.turns * plan.dimming
    if math.isnan(plan.shortest_s):
        best = best_thresholds(pieces)[:2]
        return Aim(factor=sum(turn.best) / sum(best)) if sum(best) > 0 else MIDDLE
    shortest, longest = (asked * end / plan.exposure_s for end in (plan.shortest_s, plan.longest_s))
    if not math.isfinite(longest):
        return MIDDLE
    width = math.log(longest / shortest)
    if not width > 0:
        return MIDDLE
    kept = min(0.5, max(KEPT, math.log1p(KEPT_PERCENT / 100) / width))
    ends = (between(shortest, longest, 1 - kept), between(shortest, longest, kept))
    best = best_thresholds(pieces, (plan.gel_mj_cm3 / ends[0], plan.gel_mj_cm3 / ends[1]))
    if math.isnan(best[2]):
        return MIDDLE
    wanted = plan.gel_mj_cm3 / math.sqrt(best[0] * best[1])
    return Aim(share=min(max(math.log(wanted / shortest) / width, kept), 1 - kept))


def honest_shape(setup: Setup) -> Part | FineShape | None:
    """The whole shape on the finest grid on which the print is judged; None where the design used that grid itself."""
    fine = setup.fine
    if fine is None and setup.part.whole is not None:
        return dataclasses.replace(setup.part, judged=setup.part.whole)
    return fine


def _judged(setup: Setup, turning: Any, levels: Light, judged: Volume, slices: int | None) -> Pieces:
    """The doses of one turn of these levels, and what is judged, in pieces."""
    linear = turning.scaled(gain_per_turn(setup.job))
    if slices is None:
        return pieces_of(linear(levels.to(setup.device)), unpacked_from(judged).to(setup.device))
    return lambda: ((dose, judged[:, :, taken].to(dose.device)) for taken, dose in doses(linear, levels, slices))


def light_of(setup: Setup, patterns: Patterns) -> Light:
    """Levels as fractions of full irradiance, where the design's patterns lie."""
    if setup.slabs.dose is None:
        return patterns.fractions(setup.dtype, setup.where)
    return patterns.fractions_by_row(setup.dtype, setup.device)


def gain_per_turn(job: Job) -> float:
    """Dose in mJ/cm3 of one image at full level in one turn, without losses."""
    return gain_mj_cm3(job.resin.absorption_per_mm, job.light.irradiance_mw_cm2, job.turn.dwell_s)
