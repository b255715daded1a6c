"""From a design's light to projector levels, whole turns and exposure time.

The light is divided by its peak, whole turns are chosen, levels are dimmed so that the dose window matches the resin's,
and rounded: to the nearest levels or, where those cost more than ROUNDING_COST of the window, up or down so as to keep
it (solve/rounding.py), which counts only if the window over all scenarios is no narrower. All that is reported later is
computed from the rounded levels.

All doses include the stage's motion: they are those of `Setup.turning`.
"""

import contextlib
import dataclasses
import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.flow.aim import MIDDLE, Aim, Doses, aim_of, gain_per_turn, light_of
from lightlathe.flow.levels import rounded_levels, rows_together
from lightlathe.flow.prepare import Setup
from lightlathe.judge import ExposurePlan, with_margins_of
from lightlathe.projector import Codebook, quantise
from lightlathe.quantities import Light, Patterns, rows_of
from lightlathe.support.watching import doing
from lightlathe.support.words import amount

FEW_LEVELS = 64  # of dimmed images: with fewer, one correction does not make up for rounding


class ZeroLevels(JobError):
    """Every level rounds to 0."""


@dataclass(frozen=True)
class Shown:
    """A design's light on the job's projector: `fractions` (angle, column, row) of full irradiance; in slabs made by
    row.

    full_turns   of these fractions, where doses are wanted as they are; None where a threshold is to be passed
    """

    setup: Setup
    fractions: Light
    full_turns: float | None

    @staticmethod
    def of(setup: Setup, found: Light, gel_gain: float | None) -> "Shown":
        """The light of a design; see `expose`. Raises JobError where it is 0."""
        light = setup.operator.optics.illumination

        def lit(patterns: Tensor, rows: Any = slice(None)) -> Tensor:
            """What dead pixels are told costs nothing in the design, and must not be the peak."""
            return patterns if light is None else patterns * (light > 0)[:, rows].to(patterns.device, patterns.dtype)

        peak = max(float(lit(piece, rows).max()) for rows, piece in rows_of(found))
        if not (math.isfinite(peak) and peak > 0):
            raise JobError("the design found no light at all; try another loss or start in [design].")
        full = None if gel_gain is None else peak * setup.job.resin.gel_mj_cm3 * gel_gain / gain_per_turn(setup.job)
        if isinstance(found, Tensor):
            return Shown(setup, (lit(found) / peak).clamp_(0, 1), full)
        made = replace(found, made=lambda rows: (lit(found.made(rows), rows) / peak).clamp_(0, 1))
        return Shown(setup, made, full)

    @cached_property
    def book(self) -> Codebook:
        light = self.setup.job.light
        return Codebook.of(light.bits, light.response, light.planes)

    def patterns(self, dimming: float, turns: int) -> Patterns:
        """The nearest levels of the dimmed light."""
        light, turn = self.setup.job.light, self.setup.job.turn
        levels = self._levels(dimming)
        if not bool((levels.view(torch.int16) if levels.dtype == torch.uint16 else levels).any()):
            raise ZeroLevels(
                f"{light.irradiance_mw_cm2:g} mW/cm2 is so much for one turn of {turn.seconds_per_turn:g} s that every "
                f"pixel rounds to dark.\n  A lamp of {amount(light.irradiance_mw_cm2 * dimming * 2)} mW/cm2 or a "
                "faster turn suits this resin."
            )
        return Patterns(levels, self.setup.operator.optics.chords.angle_rad, self.book.full_scale, light.pixel_mm,
                        light.irradiance_mw_cm2, turn.dwell_s, turns, self.setup.field)  # fmt: skip

    def _levels(self, dimming: float) -> Tensor:
        """The nearest levels, in main memory."""
        levels: Tensor | None = None
        for rows, piece in rows_of(self.fractions):
            chosen = quantise(piece.to(self.setup.device) * dimming, self.book).cpu()
            if isinstance(self.fractions, Tensor):
                return chosen
            levels = rows_together(self.fractions.shape, chosen.dtype) if levels is None else levels
            levels[:, :, rows] = chosen
        assert levels is not None
        return levels

    @cached_property
    def doses(self) -> Doses:
        """Doses of one turn of the light as it is."""
        return Doses(self.setup, self.fractions)

    def plan(self, patterns: Patterns, dimming: float, aim: Aim) -> ExposurePlan:
        """The exposure plan of these levels, for the resin at that exposure time."""
        full = None if self.full_turns is None else self.full_turns / dimming
        doses = Doses(self.setup, light_of(self.setup, patterns))
        return doses.plan(full, patterns.turns * self.setup.job.turn.seconds_per_turn, aim)


@dataclass(frozen=True)
class Exposure:
    """The light of a design in a number of whole turns, dimmed so that its doses meet the aim."""

    light: Shown
    aim: Aim
    turns: int
    dimming: float
    reachable: bool

    @staticmethod
    def of(light: Shown, aim: Aim) -> "Exposure":
        """The fewest turns that suffice. Rounding shifts the doses, so the dimming is corrected once afterwards."""
        plan = light.doses.plan(light.full_turns, aim=aim)
        turns, needed = plan.turns, _needed(light, plan.dimming, plan.turns, aim)
        if plan.reachable and needed > turns:
            turns += 1
            needed = _needed(light, plan.dimming, turns, aim)
        dimming = min(1.0, needed / turns)
        if plan.reachable and 0 < dimming * light.book.full_scale < FEW_LEVELS:
            dimming = _settled(light, dimming, turns, aim)
        return Exposure(light, aim, turns, dimming, plan.reachable)

    def nearest(self) -> Patterns:
        """The nearest levels."""
        return self.light.patterns(self.dimming, self.turns)

    def rounded(self, nearest: Patterns) -> Patterns:
        """Levels that keep the window wide, in place of the nearest."""
        light = self.light.fractions
        dimmed = light * self.dimming if isinstance(light, Tensor) else light.map(lambda rows: rows * self.dimming)
        levels = rounded_levels(self.light.setup, dimmed, self.turns, self.light.book)
        return dataclasses.replace(nearest, levels=levels)

    def plan(self, patterns: Patterns) -> ExposurePlan:
        """The plan of these levels, already dimmed, in these turns."""
        plan = self.light.plan(patterns, self.dimming, self.aim)
        own = plan.turns * plan.dimming
        return dataclasses.replace(
            plan,
            turns=self.turns,
            dimming=self.dimming,
            exposure_s=self.turns * plan.turn_s,
            shortest_s=plan.shortest_s * plan.dimming,
            longest_s=plan.longest_s * plan.dimming,
            low_mj_cm3=plan.low_mj_cm3 / own * self.turns,
            high_mj_cm3=plan.high_mj_cm3 / own * self.turns,
            reachable=self.reachable,
        )


@doing("trying exposures")
def expose(setup: Setup, found: Light, gel_gain: float | None = None) -> tuple[Patterns, ExposurePlan]:
    """Levels that the projector can show, and the whole turns that put their dose window on the resin's threshold.

    gel_gain   of the operator with which `found` gives doses in units of the gel dose, where these are wanted as they
               are (graded parts) rather than a threshold passed
    Among the right exposures it takes the one that prints the true shape best, KEPT of them away from either end.
    """
    light = Shown.of(setup, found, gel_gain)
    exposure = Exposure.of(light, MIDDLE if gel_gain is not None else aim_of(light.doses))
    patterns = exposure.nearest()
    plan = exposure.plan(patterns)
    if setup.job.rounding_steps:
        rounded_ = exposure.rounded(patterns)
        if not np.array_equal(rounded_.levels.numpy(), patterns.levels.numpy()):  # else the plan is the same
            its_plan = exposure.plan(rounded_)
            if _as_good(its_plan, plan):
                patterns, plan = rounded_, its_plan
    return patterns, with_margins_of(plan, setup.job.resin)


def _needed(light: Shown, dimming: float, turns: int, aim: Aim) -> float:
    """Turns at full level that the levels, dimmed and rounded, need in an exposure of `turns`."""
    plan = light.plan(light.patterns(dimming, turns), dimming, aim)
    return dimming * plan.turns * plan.dimming


def _as_good(one: ExposurePlan, other: ExposurePlan) -> bool:
    """Whether a plan has a window as wide, over all scenarios, and is right where the other is."""
    return one.low_mj_cm3 * other.high_mj_cm3 <= other.low_mj_cm3 * one.high_mj_cm3 and (one.right or not other.right)


def _settled(light: Shown, dimming: float, turns: int, aim: Aim) -> float:
    """The dimming near the given one whose rounded levels come closest to needing `turns`; brighter ones need fewer."""
    low, high = math.log(dimming / 64), math.log(min(1.0, 4 * dimming))
    best, lowest = dimming, math.inf
    for round_ in range(16):
        middle = (low + high) / 2 if round_ else math.log(dimming)
        off = math.inf
        with contextlib.suppress(ZeroLevels):
            plan = light.plan(light.patterns(math.exp(middle), turns), math.exp(middle), aim)
            off = math.log(plan.turns * plan.dimming / turns) if plan.dimming > 0 else -math.inf
        if abs(off) < lowest:
            best, lowest = math.exp(middle), abs(off)
        low, high = (middle, high) if off > 0 else (low, middle)
    return best
