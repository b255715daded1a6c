"""After prints: threshold and absorption from all that came out, and the exposure to try next."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from lightlathe.errors import JobError
from lightlathe.families import Resin
from lightlathe.flow.advised import advised
from lightlathe.flow.prediction import predict
from lightlathe.flow.recorded import job_of
from lightlathe.judge import NextExposure, is_steady
from lightlathe.judge.absorption import absorption_from
from lightlathe.judge.across import Across
from lightlathe.judge.evidence import Doses, doses_of
from lightlathe.judge.gaps import has_gaps
from lightlathe.judge.plausible import require_plausible
from lightlathe.judge.seen import CameOut, read_all
from lightlathe.judge.spread import unstated
from lightlathe.judge.threshold import Allowed, Estimate, Stated, threshold_from, with_job
from lightlathe.judge.vials import Vial, at_odds, centre_liquid, contradicting, telling
from lightlathe.quantities import LIQUID, any_in_slices
from lightlathe.resins.own import absorbing
from lightlathe.result import Record
from lightlathe.result.outcomes import Kept
from lightlathe.support.watching import case, doing, step
from lightlathe.support.words import amount

IN_THE_FRAMES = ("mirrored", "upside down", "doubled edges")  # mended by other frames alone
Surface = tuple[Across | None, Doses | None]
TIMES = (0.5, 1.0, 2.0, 4.0)  # the job's absorption, at which prints are predicted for an estimate of the true one


@dataclass(frozen=True)
class AfterPrint:
    """What the prints of a result say, the last one last.

    next           the exposure to try next; None where it is withheld, and where no print asks for one
    threshold      of the resin by the prints, mJ/cm3; None where the part has no surface to read one from, and where
                   the absorption that the doses rest on is ruled out
    allowed        by prints and job together; None where threshold is, and where prints contradict each other
    stated         what the job says of it
    absorption     1/mm; None where it was not asked for, or no print tells of it
    steady         the resin's doses do not change with the exposure time, so that prints may be put together
    named          how many of the latest prints are new; all of them where only kept ones are looked at
    contradiction  prints that cannot all be true, in words; empty where there are none. Nothing is advised then
    withheld       why no exposure is given where a print asks for another; empty where one is given, or none asks
    """

    vials: tuple[Vial, ...]
    threshold: Estimate | None
    allowed: Allowed | None
    stated: Stated
    absorption: Estimate | None
    doses: Doses | None
    steady: bool
    named: int
    next: NextExposure | None = None
    contradiction: str = ""
    withheld: str = ""
    agreeing: tuple[Vial, ...] = field(default=())

    @property
    def told(self) -> int:
        """How many prints tell of the threshold."""
        return 0 if self.doses is None else telling(self.agreeing, self.doses)

    @property
    def new(self) -> tuple[Vial, ...]:
        return self.vials[len(self.vials) - self.named :]


def after_print(
    record: Record,
    vials: Sequence[Vial],
    *,
    absorption: bool = True,
    named: int | None = None,
    surface: Surface | None = None,
) -> AfterPrint:
    """What prints of a record say together; vials with exposure and what was seen (judge/seen.py), the latest last.

    absorption   estimate it too, where there are two prints or more: three more predictions
    named        how many of the latest prints are new (AfterPrint); all of them without it
    surface      of the record (`surface_of`), where it has been looked at and the prints found possible already
    Raises JobError for exposures that are not above 0 and for what cannot have been seen of this part.
    """
    if not vials:
        raise JobError("no print was named; expected what came out of one at least.")
    resin, last = job_of(record).resin, vials[-1]
    steady = is_steady(resin, record.patterns.exposure_s)
    across, doses = surface_of(record) if surface is None else surface
    for vial in vials if surface is None else ():
        require_possible(record, vial, doses)
    agreeing = tuple(vial for vial in vials if not at_odds(vial, doses))
    here = resin.at(last.exposure_s)
    stated = Stated(here.liquid_below_mj_cm3, here.solid_above_mj_cm3, known_to_percent(here))
    threshold, allowed, found = None, None, None
    if doses is not None:
        one_threshold = agreeing if steady else [v for v in agreeing if v.exposure_s == last.exposure_s]
        threshold = threshold_from(one_threshold, doses)
        allowed = None if threshold.against else with_job(threshold, stated)
        if absorption and across is not None and len(agreeing) > 1:
            found = absorption_from(agreeing, _predicted(record, across, doses))
            found = None if not found.against and not found.tells else found
    named = len(vials) if named is None else named
    return _advised(
        record,
        AfterPrint(tuple(vials), threshold, allowed, stated, found, doses, steady, named, agreeing=agreeing),
    )


def known_to_percent(resin: Resin) -> float:
    """Half the interval of the threshold, in percent: the job's own, or what is assumed where it gives none."""
    return unstated(resin)[0] if resin.doses_known_to_percent is None else resin.doses_known_to_percent


def surface_of(record: Record) -> Surface:
    """The part's surface and the doses of the planned exposure; None twice where nothing around the part is judged."""
    surrounded = any_in_slices(record.part.judged, lambda codes: codes == LIQUID)
    if not bool(surrounded.any()):
        return None, None
    with doing("comparing with the predicted dose"):
        across = Across.of(record.part)
        return across, doses_of(record.prediction.dose, across, record.quality, record.patterns.exposure_s)


def _advised(record: Record, said: AfterPrint) -> AfterPrint:
    """With the exposure to try next, or with the reason why there is none."""
    stated = job_of(record).resin.absorption_per_mm
    together = said.steady or len({vial.exposure_s for vial in said.agreeing}) < 2  # prints that share one threshold
    ruled_out = together and said.absorption is not None and said.absorption.rules_out(stated)
    against = contradicting(said.agreeing)
    if not ruled_out:
        of_threshold = "" if said.threshold is None else said.threshold.against
        of_absorption = "" if said.absorption is None or not together else said.absorption.against
        against = f"no one dose fits all prints: {of_threshold}" if of_threshold else against or of_absorption
    if against:
        return replace(said, contradiction=against, allowed=None)
    last = said.vials[-1]
    why = _of_the_frames(said) or ("" if last.right else _withheld(said, stated, ruled_out))
    following = None
    if not why and last in said.agreeing:
        following, why = advised(record, said.agreeing, said.threshold, said.allowed, said.doses)
    if ruled_out:
        said = replace(said, threshold=None, allowed=None)
    return replace(said, next=following, withheld=why)


def _of_the_frames(said: AfterPrint) -> str:
    """Why no exposure of these frames can be advised: what a new print has is wrong at every exposure."""
    seen = {one.kind: one.words for vial in said.new for one in vial.seen if one.kind in IN_THE_FRAMES}
    if not seen:
        return ""
    return (
        f"{', '.join(seen.values())} at any exposure of these frames. Mend that as said above and design again: the "
        "new design plans its own exposure"
    )


def _withheld(said: AfterPrint, stated: float, ruled_out: bool) -> str:
    """Why no exposure can be advised; empty where one can."""
    if ruled_out and said.absorption is not None:
        found = said.absorption
        value = f"absorption_per_mm = {amount(found.value, 3)}" if found.closed else "the absorption measured"
        misread = "" if said.threshold is None else said.threshold.against
        misread = f". Or was one misread: by the job's absorption {misread}" if misread else ""
        return (
            f"the doses rest on the {amount(stated, 3)} 1/mm that the job says, which these prints rule out. Design "
            f"again with {value} (lightlathe resin measures it), print, and say what comes out of that{misread}"
        )
    if any(at_odds(vial, said.doses) for vial in said.new):
        return "none mends too little in one place and too much in another"
    if any(vial.way for vial in said.vials) and any(centre_liquid(vial, said.vials) for vial in said.vials):
        return "the liquid centre has to be mended first"
    return ""


def require_possible(record: Record, vial: Vial, doses: Doses | None) -> None:
    """JobError for a print that this part cannot have had: holes closed where there are none, a size that it does not
    have, an exposure that is none."""
    if not (math.isfinite(vial.exposure_s) and vial.exposure_s > 0):
        raise JobError(f"the exposure is {vial.exposure_s:g} s; expected a time above 0.")
    part = record.part
    if "holes closed" in vial.kinds and not has_gaps(part.judged if part.whole is None else part.whole):
        raise JobError(
            f"'{vial.words}': this part has no hole, channel or gap that could close; expected what came out of "
            "it. Say 'too fat', with 'by 0.1 mm' if it was measured, or 'all solid'."
        )
    if doses is not None:
        require_plausible(vial, part, doses)


@doing("predicting other absorptions", of=len(TIMES) - 1)
def _predicted(record: Record, across: Across, own: Doses) -> list[tuple[float, Doses]]:
    """(absorption, doses of the same patterns) at TIMES the job's."""
    resin, planned, found = job_of(record).resin, record.patterns.exposure_s, []
    number = 0
    for times in TIMES:
        value = times * resin.absorption_per_mm
        if times == 1.0:
            found.append((value, replace(own, by_window=False)))
            continue
        number += 1
        with case(number, len(TIMES) - 1):
            other = predict(record, resin=absorbing(resin, value), finer=False)
        found.append((value, doses_of(other.dose, across, other.quality, planned, by_window=False)))
        step()
    return found


def vial_of(record: Record, seen: tuple[CameOut, ...], exposure_s: float | None) -> Vial:
    """A print with the planned exposure where none is named."""
    return Vial(record.patterns.exposure_s if exposure_s is None else exposure_s, seen)


def kept_vials(record: Record, kept: Iterable[Kept], surface: Surface) -> tuple[list[Vial], list[str]]:
    """The prints kept of a record, and why each of the others is left out: words that are not understood (any more),
    and what cannot have been seen of this part. One that was misread must not end what is said of the rest."""
    vials, left_out = [], []
    for one in kept:
        try:
            vial = vial_of(record, read_all(one.came_out), one.exposure_s)
            require_possible(record, vial, surface[1])
        except JobError as problem:
            left_out.append(f"kept, and left out of what follows: {str(problem).splitlines()[0]}")
        else:
            vials.append(vial)
    return vials, left_out
