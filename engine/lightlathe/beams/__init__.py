"""Beams: how a projector's columns become chords of the vial. One file per member, one line here."""

from lightlathe.beams.telecentric import Telecentric, full_turn
from lightlathe.families import Beam

BEAMS: dict[str, type[Beam]] = {"telecentric": Telecentric}
__all__ = ["BEAMS", "Telecentric", "full_turn"]
