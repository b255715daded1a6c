"""The resin's absorption from several prints."""

import itertools
import math
from collections.abc import Sequence

import numpy as np

from lightlathe.judge.evidence import Doses, bound_of, core_bound
from lightlathe.judge.threshold import Estimate
from lightlathe.judge.vials import Vial

STEPS = 400  # absorptions that are tried between the smallest and the largest prediction


def absorption_from(vials: Sequence[Vial], predicted: Sequence[tuple[float, Doses]]) -> Estimate:
    """The absorptions, 1/mm, at which some threshold agrees with all prints: with their surfaces, and with a core that
    turned solid or stayed liquid.

    predicted   (absorption, doses of the same patterns) for four absorptions or more, the smallest first. Between them
                the logarithm of dose / absorption is taken as a cubic: on the axis of a vial in straight light it is a
                straight line, log(dose / a) = c - a R (Beer-Lambert). Not `by_window`: at most absorptions there is
                none, and bounds have to change steadily from one to the next.
    The interval ends at the smallest or the largest absorption tried where the prints set no nearer end: low is then 0,
    high infinite. All NaN but `against` where no absorption tried agrees with the prints.
    """
    tried = np.array([a for a, _ in predicted])
    even = np.geomspace(tried[0], tried[-1], STEPS)
    low, high = np.zeros(STEPS), np.full(STEPS, np.inf)
    said = [(one, vial.exposure_s) for vial in vials if vial.of_this_light for one in vial.seen]
    for (one, exposure_s), says in itertools.product(said, (bound_of, core_bound)):
        found = [says(one, doses, exposure_s) for _, doses in predicted]
        low = np.maximum(low, between(tried, [bound.low for bound in found], even))
        high = np.minimum(high, between(tried, [bound.high for bound in found], even))
    fits = low <= high
    if not fits.any():
        return Estimate(
            math.nan, 0.0, math.inf, "no absorption from half to four times the job's agrees with all prints"
        )
    first, last = int(fits.argmax()), STEPS - 1 - int(fits[::-1].argmax())
    least, most = (float(even[first]) if first > 0 else 0.0), (float(even[last]) if last < STEPS - 1 else math.inf)
    return Estimate(math.sqrt(even[first] * even[last]), least, most)


def between(tried: np.ndarray, values: Sequence[float], even: np.ndarray) -> np.ndarray:
    """Bounds at the absorptions tried, taken to those between; 0 and infinity stay what they are."""
    if not all(0 < value < math.inf for value in values):
        return np.full(len(even), values[0])
    cubic = np.polynomial.Polynomial.fit(tried, np.log(np.array(values) / tried), min(3, len(tried) - 1))
    return even * np.exp(cubic(even))
