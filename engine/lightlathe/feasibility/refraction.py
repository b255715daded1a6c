"""Refraction at the vial: how far its light reaches, and from how many directions the part's rim is seen."""

import dataclasses
import math

import torch

from lightlathe.beams import Diverging, RoundVial, seen_from
from lightlathe.feasibility.case import Case
from lightlathe.flow.lit import chords_of
from lightlathe.job.lit_space import beam_width_mm
from lightlathe.judge.cautions import about_inserts, assumptions
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, percent, rounded_up


def refraction(case: Case) -> Reason | None:
    """Whether the part lies within S = min(R_i, R_o n1 / n2); no question where light enters straight.

    Within S a place is seen from everywhere. Beyond, only from a share (2 / pi) asin(S / r) of all directions: it can
    still be printed, but less freely, as in limited-angle tomography.
    """
    if not case.refracted:
        return None
    layers = RoundVial.of(case.vial, case.resin)
    ray_mm = layers.addressable_mm / layers.narrowing
    lit_mm = case.light.columns_about_axis * case.light.pixel_mm / 2
    if isinstance(case.light.beam, Diverging):  # where the ray of its last column would pass the axis
        lit_mm = beam_width_mm(case.light, case.vial, case.resin) / 2 / layers.narrowing
    reach_mm, rim_mm = min(layers.addressable_mm, lit_mm * layers.narrowing), case.part.radius_mm
    text = (
        f"{_surroundings(case)} (index {layers.outside:g}) around a wall of {amount(case.vial.wall_mm or 0.0)} mm: in "
        f"the resin (index {layers.resin:g}) rays pass the axis at {amount(layers.narrowing, 3)} of their distance "
        f"outside, {_whose(reach_mm < layers.addressable_mm)} at {amount(reach_mm, 3)} mm"
    )
    missing = _missing(case, ray_mm)
    if missing > 1:
        text += f"; {missing} of {case.light.columns} columns miss the resin and carry no light"
    if rim_mm <= reach_mm + case.grid.voxel_mm / 2:  # no voxel centre of the part lies further out
        text += f". The part reaches {amount(rim_mm, 3)} mm, so all of it is seen from every direction."
        return Reason("refraction", "will work", text, rim_mm, reach_mm, "mm")
    text += (
        f". The part reaches {amount(rim_mm, 3)} mm, where light comes from {percent(seen_from(rim_mm, reach_mm))} of "
        "all directions."
    )
    change = f"a part within {amount(reach_mm, 3)} mm of the axis."
    index = math.ceil(100 * layers.resin * rim_mm / layers.outer_mm) / 100
    if index > layers.outside and rim_mm <= layers.inner_mm * min(layers.wall, layers.resin) / layers.resin:
        change = f"{change[:-1]}, or a bath of index {index:g} or more."
    if lit_mm * layers.narrowing < min(rim_mm, layers.addressable_mm):
        change = f"a field {rounded_up(2 * min(rim_mm, layers.addressable_mm) / layers.narrowing)} mm wide; or {change}"
    return Reason("refraction", "marginal", text, rim_mm, reach_mm, "mm", change)


def _missing(case: Case, ray_mm: float) -> int:
    """Columns that miss the resin, whose rays would pass the axis further out than `ray_mm`."""
    light = case.light
    if not light.rows_spread:
        return int(light.columns - 2 * ray_mm / light.pixel_mm)
    chords = chords_of(light, case.vial, case.resin, torch.zeros(1, dtype=torch.float64))
    return int((chords.transmittance == 0).sum())


def _surroundings(case: Case) -> str:
    around = case.vial.surroundings
    return f"the vial stands in {around}" if around in ("air", "water") else "the vial stands in a bath"


def _whose(by_field: bool) -> str:
    return "the outermost of the field" if by_field else "the last that enter"


def assumed(case: Case) -> tuple[str, ...]:
    """What goes with the verdict: the assumptions about the light."""
    light = {**vars(case.light), "beam": {"kind": "diverging"} if case.light.rows_spread else None}
    beside = case.part.beside
    return (
        *assumptions(
            case.resin.refractive_index, dataclasses.asdict(case.vial), light, index_assumed=case.index_assumed
        ),
        *(() if beside is None else about_inserts(beside.opaque, beside.through, beside.dims)),
    )
