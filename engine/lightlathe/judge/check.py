"""Will it work? Everything that can be said before any light is designed, in seconds."""

from lightlathe.judge.assumptions import assumptions
from lightlathe.judge.case import Case
from lightlathe.judge.cautions import CAUTIONS
from lightlathe.judge.check_effort import effort
from lightlathe.judge.check_exposure import heat, levels, light, sinking
from lightlathe.judge.check_fit import detail, field, place, room, turn
from lightlathe.judge.check_optics import diffraction, insert
from lightlathe.judge.check_resin import absorption, threshold
from lightlathe.judge.verdict import Verdict

QUESTIONS = (
    absorption, threshold, room, place, field, detail, diffraction, insert, turn, light, levels, sinking, heat, effort,
)  # fmt: skip


def check(case: Case) -> Verdict:
    """The verdict on a case: will work, marginal or cannot work, with a reason for every question.

    "cannot work" is said only where it is certain: a proven limit of the process window (judge/limits.py), a part that
    does not fit, stands outside or is never lit, a resin with no safe dose, too little light. Without slices the part
    counts as a solid body of its extent. A question that a case does not raise (no insert) gives no reason.
    """
    reasons = (question(case) for question in QUESTIONS)
    return Verdict(
        tuple(reason for reason in reasons if reason is not None), CAUTIONS, assumptions(case.refractive_index)
    )
