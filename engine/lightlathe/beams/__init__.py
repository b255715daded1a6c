"""Beams: how a projector's columns become chords of the vial. One file per member, one line here."""

from lightlathe.beams.telecentric import Telecentric, full_turn

BEAMS = {"telecentric": Telecentric}
__all__ = ["BEAMS", "Telecentric", "full_turn"]
