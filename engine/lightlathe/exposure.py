"""From the light that a design found to levels, whole turns and seconds."""

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import torch
from torch import Tensor

from lightlathe.dose import gain_mj_cm3
from lightlathe.errors import JobError
from lightlathe.formulate import worst_case
from lightlathe.job import Job
from lightlathe.judge import ExposurePlan, best_thresholds, plan_exposure, with_margins_of
from lightlathe.losses import SoftWindow
from lightlathe.prepare import Setup
from lightlathe.projector import Codebook, quantise
from lightlathe.quantities import Patterns
from lightlathe.solve import Problem, rounded
from lightlathe.watching import doing
from lightlathe.words import amount

LONGEST_S = 86400.0  # where a job sets no longest exposure: a resin that keeps still for a day is hard to find
FEW_LEVELS = 64  # of dimmed images: below, rounding moves their dose by more than one correction mends
ROUNDING_COST = 0.001  # of window: nearest levels that cost more are chosen anew, with an eye on the dose
SETTLED_AFTER = 10  # rounds after which an exposure may only grow


@doing("trying exposures")
def expose(setup: Setup, found: Tensor, gel_gain: float | None = None) -> tuple[Patterns, ExposurePlan]:
    """Levels that the projector can show, and the whole turns that put their dose window on the resin's threshold.

    gel_gain   of the operator with which `found` gives doses in units of the gel dose, where these are wanted as they
               are (graded parts) rather than a threshold passed
    The plan is made for the rounded levels: rounding moves the window, so the dimming is set once more after it.
    """
    light, turn = setup.job.light, setup.job.turn
    peak = float(found.max())
    if not (math.isfinite(peak) and peak > 0):
        raise JobError("the design found no light at all; try another loss or start in [design].")
    fractions, book = (found / peak).clamp_(0, 1), Codebook.of(light.bits, light.response)

    def shown(dimming: float) -> Patterns:
        levels = quantise(fractions * dimming, book).cpu()
        return Patterns(levels, setup.chords.angle_rad, book.full_scale, light.pixel_mm, light.irradiance_mw_cm2,
                        turn.dwell_s, turns)  # fmt: skip

    def seen(dimming: float) -> Tensor:
        return shown(dimming).fractions(setup.dtype, setup.device)

    def planned(levels: Tensor, dimming: float = 1.0, turns: int | None = None) -> ExposurePlan:
        full = None if gel_gain is None else peak * setup.job.resin.gel_mj_cm3 * gel_gain / gain_per_turn(setup.job)
        full = None if full is None else full / dimming
        return plan_for(setup, levels, full, None if turns is None else turns * turn.seconds_per_turn)

    def lit(levels: Tensor) -> None:
        if not bool((levels > 0).any()):
            raise JobError(
                f"{light.irradiance_mw_cm2:g} mW/cm2 is so much for one turn of {turn.seconds_per_turn:g} s that every "
                f"pixel rounds to dark.\n  A lamp of {amount(light.irradiance_mw_cm2 * dimming * 2)} mW/cm2 or a "
                "faster turn suits this resin."
            )

    def wanted(turns: int) -> float:
        """Turns at full level that the levels, rounded, want in an exposure of `turns`."""
        rounded_plan = planned(rounded_levels, dimming, turns)
        return dimming * rounded_plan.turns * rounded_plan.dimming

    plan = planned(fractions)
    turns, dimming = plan.turns, plan.dimming
    rounded_levels = seen(dimming)
    lit(rounded_levels)
    needed = wanted(turns)
    if plan.reachable and needed > turns:
        turns += 1
        needed = wanted(turns)
    dimming = min(1.0, needed / turns)
    if plan.reachable and 0 < dimming * book.full_scale < FEW_LEVELS:
        dimming = _settled(seen, lambda levels, dimming: planned(levels, dimming, turns), dimming, turns)

    def exposed(patterns: Patterns) -> ExposurePlan:
        """What `turns` of these levels, dimmed already, do."""
        lit(patterns.levels.int())  # torch compares no 16-bit levels
        final = planned(patterns.fractions(setup.dtype, setup.device), dimming, turns)
        return dataclasses.replace(
            final,
            turns=turns,
            dimming=dimming,
            exposure_s=turns * turn.seconds_per_turn,
            shortest_s=final.shortest_s * final.dimming,
            longest_s=final.longest_s * final.dimming,
            low_mj_cm3=final.low_mj_cm3 / (final.turns * final.dimming) * turns,
            high_mj_cm3=final.high_mj_cm3 / (final.turns * final.dimming) * turns,
            reachable=plan.reachable,
        )

    patterns = shown(dimming)
    found_plan = exposed(patterns)
    if setup.job.rounding_steps:
        levels = with_an_eye_on_the_dose(setup, fractions * dimming, turns, book)
        if not torch.equal(levels.int(), patterns.levels.int()):
            chosen = dataclasses.replace(patterns, levels=levels)
            chosen_plan = exposed(chosen)
            if _as_good(chosen_plan, found_plan):
                patterns, found_plan = chosen, chosen_plan
    return patterns, with_margins_of(found_plan, setup.job.resin)


def _as_good(one: ExposurePlan, other: ExposurePlan) -> bool:
    """Whether a plan has a window as wide, over all scenarios, and is right where the other is."""
    return one.low_mj_cm3 * other.high_mj_cm3 <= other.low_mj_cm3 * one.high_mj_cm3 and (one.right or not other.right)


def _settled(
    seen: Callable[[float], Tensor], planned: Callable[[Tensor, float], ExposurePlan], dimming: float, turns: int
) -> float:
    """The dimming near the one given whose rounded levels want `turns` most nearly; brighter levels want fewer."""
    low, high = math.log(dimming / 64), math.log(min(1.0, 4 * dimming))
    best, least = dimming, math.inf
    for round_ in range(16):
        middle = (low + high) / 2 if round_ else math.log(dimming)
        fractions = seen(math.exp(middle))
        off = math.inf
        if bool((fractions > 0).any()):
            plan = planned(fractions, math.exp(middle))
            off = math.log(plan.turns * plan.dimming / turns) if plan.dimming > 0 else -math.inf
        if abs(off) < least:
            best, least = math.exp(middle), abs(off)
        low, high = (middle, high) if off > 0 else (low, middle)
    return best


@doing("choosing levels")
def with_an_eye_on_the_dose(setup: Setup, fractions: Tensor, turns: int, book: Codebook) -> Tensor:
    """Levels for fractions of full irradiance, each the one above or below, so that the window stays wide; the nearest
    where they cost at most ROUNDING_COST of it, unless the job says how many steps to take.

    It looks at the plain case, not at scenarios.
    """
    exact = np.unique(book.levels)
    resin = setup.job.resin.at(turns * setup.job.turn.seconds_per_turn)
    operator = setup.operator.scaled(gain_per_turn(setup.job) * turns / resin.gel_mj_cm3)
    sharp = SoftWindow(1000, 1000, 1, slice_sharpness=1000)
    problem = Problem(operator, sharp, setup.part.target(setup.device))
    allowed = torch.from_numpy(exact / book.full_scale).to(fractions)
    chosen = rounded(problem, fractions, allowed, loss=sharp, iterations=setup.job.rounding_steps, enough=ROUNDING_COST)
    levels = torch.from_numpy(exact).to(chosen.device)[torch.searchsorted(allowed, chosen)]
    return levels.to(torch.uint8 if book.full_scale <= 255 else torch.uint16).cpu()


def plan_for(
    setup: Setup, fractions: Tensor, full_turns: float | None = None, resin_after_s: float | None = None
) -> ExposurePlan:
    """The exposure that suits levels (0..1 of full irradiance), over all scenarios of the job.

    full_turns      of these levels, where the job wants doses as they are
    resin_after_s   the resin needs the doses of an exposure of this long; without it, of the exposure found
    """
    job, turn, resin = setup.job, setup.job.turn, setup.job.resin
    cases = worst_case(setup, fractions, gain_per_turn(job))
    per_turn = setup.operator.scaled(gain_per_turn(job))(fractions)
    best = best_thresholds(per_turn, setup.part.to(setup.device))[:2]
    before, least_turns = math.nan, 1
    if resin_after_s is not None:
        resin = resin.at(resin_after_s)
    for round_ in range(50):  # the doses of an inhibited resin hang on the exposure, which hangs on the doses
        plan = plan_exposure(
            max(most for most, _ in cases),
            min(least for _, least in cases),
            resin.liquid_below_mj_cm3,
            resin.solid_above_mj_cm3,
            turn.seconds_per_turn,
            turn.max_exposure_s or LONGEST_S,
            best_per_turn=best,
            full_turns=full_turns,
            least_turns=least_turns,
        )
        if resin_after_s is not None or plan.exposure_s == before or resin.at(plan.exposure_s) == resin:
            return plan
        before, resin = plan.exposure_s, resin.at(plan.exposure_s)
        if round_ >= SETTLED_AFTER:  # a turn more needs a turn less, and that a turn more: the longer one, dimmed
            least_turns = max(least_turns, plan.turns)
    raise JobError(
        "no exposure suits this resin: the dose it needs changes with the time as fast as the light gives it."
    )


def gain_per_turn(job: Job) -> float:
    """Dose in mJ/cm3 that one image at full level leaves in one turn where nothing is lost on the way."""
    return gain_mj_cm3(job.resin.absorption_per_mm, job.light.irradiance_mw_cm2, job.turn.dwell_s)
