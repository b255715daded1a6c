"""How the uncertainty of the resin's data affects the exposure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lightlathe.errors import JobError
from lightlathe.families import Resin
from lightlathe.support.words import amount, percent

EVEN = 200  # absorptions that the share is counted over
# what a threshold is taken to be known to where the job does not say (common practice, no source)
UNSTATED_PERCENT = 10.0


@dataclass(frozen=True)
class Spread:
    """The range of best exposures over the resin's confidence interval.

    shortest_s, longest_s    best exposure at either end of the resin's interval
    right_share              share of the resins within the interval that the planned exposure prints right
    doses_known_to_percent   what the threshold doses are known to; half an interval
    absorption_known_to_percent   the same of the absorption; 0 where one was tried alone
    """

    exposure_s: float
    shortest_s: float
    longest_s: float
    right_share: float
    doses_known_to_percent: float
    absorption_known_to_percent: float = 0.0

    def text(self) -> str:
        known = f"doses to {amount(self.doses_known_to_percent)} %"
        if self.absorption_known_to_percent:
            known += f", absorption to {amount(self.absorption_known_to_percent)} %"
        return (
            f"given the resin's uncertainty ({known}), the best exposure lies between {self.shortest_s:.1f} and "
            f"{self.longest_s:.1f} s; {self.exposure_s:.1f} s is right for {percent(self.right_share)} of such resins"
        )


def spread(
    exposure_s: float,
    windows: Sequence[tuple[float, float]],
    gel_mj_cm3: float,
    doses_known_to_percent: float,
    absorption_known_to_percent: float = 0.0,
) -> Spread:
    """Exposures and share of right prints over the resin's confidence interval.

    exposure_s    planned
    windows       (max dose outside, min dose inside) at that exposure, mJ/cm3: one for each absorption tried, evenly
                  over its interval (one pair if it is known well enough)
    gel_mj_cm3    of the plan; the true one lies anywhere within doses_known_to_percent of it, each value as likely
    A best exposure puts the geometric middle of the window on the gel dose.
    Raises JobError for no window, or a percentage outside 0..100.
    """
    if not windows:
        raise JobError("no window was given; expected the dose outside and inside for one absorption at least.")
    if not 0 <= doses_known_to_percent < 100:
        raise JobError(f"doses_known_to_percent is {doses_known_to_percent}; expected a number from 0, below 100.")
    low, high = (gel_mj_cm3 * (1 + sign * doses_known_to_percent / 100) for sign in (-1, 1))
    best, right = [], []
    for out, inside in windows:
        middle = math.sqrt(out * inside) if out > 0 else inside / 2
        best += [exposure_s * low / middle, exposure_s * high / middle] if middle > 0 else [math.inf]
    for out, inside in _between(windows):
        if high > low:
            right.append(max(0.0, min(high, inside) - max(low, out)) / (high - low))
        else:
            right.append(float(out <= gel_mj_cm3 <= inside))
    share = sum(right) / len(right)
    return Spread(exposure_s, min(best), max(best), share, doses_known_to_percent, absorption_known_to_percent)


def _between(windows: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Windows of absorptions spread evenly over the interval, linear between those that were tried."""
    if len(windows) == 1:
        return list(windows)
    tried = np.arange(len(windows))
    even = (np.arange(EVEN) + 0.5) / EVEN * tried[-1]
    out, inside = (np.interp(even, tried, dose) for dose in np.array(windows, dtype=float).T)
    return list(zip(out.tolist(), inside.tolist(), strict=True))


def unstated(resin: Resin) -> tuple[float, str]:
    """The default uncertainty of a threshold in percent, and where it comes from."""
    low, high = resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3
    apart = 100 * (high - low) / (high + low)
    if low > 0 and apart > UNSTATED_PERCENT:
        return apart, "as far as the resin's two doses lie from their middle"
    return UNSTATED_PERCENT, "assumed"
