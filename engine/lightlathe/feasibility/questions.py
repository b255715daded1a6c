"""All questions of the feasibility check."""

from lightlathe.feasibility.black import black
from lightlathe.feasibility.case import Case
from lightlathe.feasibility.divergence import divergence
from lightlathe.feasibility.effort import effort
from lightlathe.feasibility.features import features
from lightlathe.feasibility.fit import field, place, room
from lightlathe.feasibility.illumination import illumination
from lightlathe.feasibility.light import heat, levels, light, sinking
from lightlathe.feasibility.optics import blur, diffraction, insert
from lightlathe.feasibility.refraction import assumed, refraction
from lightlathe.feasibility.resin import absorption, threshold
from lightlathe.feasibility.sampling import detail, turn
from lightlathe.feasibility.tilt import tilt
from lightlathe.feasibility.timing import timing
from lightlathe.judge.cautions import CAUTIONS
from lightlathe.judge.verdict import Verdict

QUESTIONS = (
    absorption, threshold, room, place, field, illumination, refraction, divergence, tilt, detail, features, blur,
    diffraction, insert, turn, timing, black, light, levels, sinking, heat, effort,
)  # fmt: skip


def verdict_on(case: Case) -> Verdict:
    """The verdict on a case: will work, marginal or cannot work, with a reason for every question.

    "cannot work" is said only where it is certain: a proven limit of the process window (limits.py), a part that
    does not fit, stands outside or is never lit, a resin with no safe dose, too little light. Without slices the part
    counts as a solid body of its extent. A question that a case does not raise (no insert) gives no reason.
    """
    reasons = (question(case) for question in QUESTIONS)
    return Verdict(tuple(reason for reason in reasons if reason is not None), CAUTIONS, assumed(case))
