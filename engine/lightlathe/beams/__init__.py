"""Beams: how a projector's columns become chords of the vial. One file per member, one line here."""

from lightlathe.beams.diverging import Diverging
from lightlathe.beams.round_vial import RoundVial, seen_from
from lightlathe.beams.telecentric import Telecentric, full_turn
from lightlathe.families import Beam

BEAMS: dict[str, type[Beam]] = {"telecentric": Telecentric, "diverging": Diverging}
__all__ = ["BEAMS", "Diverging", "RoundVial", "Telecentric", "full_turn", "seen_from"]
