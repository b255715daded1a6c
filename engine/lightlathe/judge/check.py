"""Will it work? Everything that can be said before any light is designed, in seconds."""

from lightlathe.judge.case import Case
from lightlathe.judge.cautions import CAUTIONS
from lightlathe.judge.check_effort import effort
from lightlathe.judge.check_exposure import heat, light, sinking
from lightlathe.judge.check_fit import detail, field, place, room, turn
from lightlathe.judge.check_optics import diffraction
from lightlathe.judge.check_resin import absorption, threshold
from lightlathe.judge.verdict import Verdict

QUESTIONS = (absorption, threshold, room, place, field, detail, diffraction, turn, light, sinking, heat, effort)


def check(case: Case) -> Verdict:
    """The verdict on a case: will work, marginal or cannot work, with a reason for every question.

    "cannot work" is said only where it is certain: a proven limit of the process window (judge/limits.py), a part that
    does not fit, stands outside or is never lit, a resin with no safe dose, too little light or memory. Without slices
    the part counts as a solid body of its extent.
    """
    return Verdict(tuple(question(case) for question in QUESTIONS), CAUTIONS)
