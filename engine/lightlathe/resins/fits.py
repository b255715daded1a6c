"""Fits of a resin's numbers to measurements, with 95 % confidence intervals."""

import math
from dataclasses import dataclass

import numpy as np

from lightlathe.errors import MeasurementError
from lightlathe.resins.regression import CONFIDENCE, half_of_mean, least_squares, logistic, outliers_of
from lightlathe.support.words import amount, an

SURE = 0.05  # probability that a dose below liquid_below gels, or one above solid_above does not
WIDEST = 100.0  # solid_above over liquid_below: a series with a larger ratio has not found the threshold (no source)
LN10 = math.log(10)
MAX_GAIN = 1.0  # -ln of what comes out of no resin at all; scatter of the points gives some, not e times the light


@dataclass(frozen=True)
class Value:
    """A number with its 95 % confidence interval; low and high are NaN where the data give none."""

    value: float
    low: float
    high: float
    unit: str

    @property
    def known_to_percent(self) -> float:
        """Half the interval in percent of the value."""
        return 50 * (self.high - self.low) / self.value

    def text(self) -> str:
        if math.isnan(self.low):
            return f"{amount(self.value, 4)} {self.unit}"
        value, low, high = alike(self.value, self.low, self.high)
        return f"{value} ({low} to {high}) {self.unit}"


def alike(*values: float) -> list[str]:
    """Each to four digits, all with as many decimals as the one with the most."""
    said = [amount(value, 4) for value in values]
    places = max(len(text.partition(".")[2]) for text in said)
    if any("e" in text for text in said):
        return said
    return [f"{value:.{places}f}" for value in values]


@dataclass(frozen=True)
class Fit:
    """What one series gives.

    values      by name, such as penetration_depth_mm
    x, y        the points, in the fit's own terms (names in `axes`)
    fitted      the fit at x
    outliers    positions in x that lie too far off to be chance (named, but kept in the fit)
    notes       sentences that a person should read
    """

    values: dict[str, Value]
    axes: tuple[str, str]
    x: np.ndarray
    y: np.ndarray
    fitted: np.ndarray
    outliers: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Raises MeasurementError unless values are finite, above 0, and known within finite limits or not at all."""
        for name, v in self.values.items():
            known = math.isfinite(v.low) and math.isfinite(v.high) and v.low <= v.value <= v.high
            if not (math.isfinite(v.value) and v.value > 0 and (known or (math.isnan(v.low) and math.isnan(v.high)))):
                raise MeasurementError(
                    f"these points do not determine {name}: the fit gives {v.value:.4g} {v.unit}, between {v.low:.4g} "
                    f"and {v.high:.4g}. Are columns and units right? More points, spread wider, tell more."
                )


def absorption(path_mm: np.ndarray, transmission: np.ndarray) -> Fit:
    """Absorption (1/mm, base e) from transmission through one or several path lengths: Beer-Lambert law.

    With two path lengths or more a line with an offset (losses at the cuvette's walls) is fitted to -ln T; with one,
    the mean of -ln T / path, which counts wall losses as absorption.
    """
    y = -np.log(transmission)
    if len(np.unique(path_mm)) > 1 and len(path_mm) >= 3:
        (mu, lost), (half, _), fitted = least_squares(lambda x, m, b: m * x + b, path_mm, y, (1.0, 0.0))
        if lost < -MAX_GAIN:
            raise MeasurementError(
                f"extrapolated to a cuvette of no length, {amount(_exp(-lost), 3)} times the light comes out; expected "
                "1 or less. Are path and transmission right?"
            )
        notes = (f"walls take {amount(100 * (1 - _exp(-lost)))} % of the light",)
        _need_positive(mu, "1/mm", "absorption", "Does the transmission fall with the path?")
        outliers = outliers_of(path_mm, y - fitted, 2, np.ones_like(y))
    else:
        each = y / path_mm
        mu, half, outliers = float(each.mean()), half_of_mean(each), ()
        _need_positive(mu, "1/mm", "absorption", "Is the transmission below 1?")
        fitted = mu * path_mm
        notes = ("one path length: losses at the cuvette's walls count as absorption (about 8 % for glass in air)",)
    value = Value(mu, mu - half, mu + half, "1/mm")
    return Fit({"absorption_per_mm": value}, ("path mm", "-ln(transmission)"), path_mm, y, fitted, outliers, notes)


def mixture(concentration_mol_m3: np.ndarray, molar_base10_l_mol_cm: np.ndarray) -> Fit:
    """Absorption of a mixture: mu = ln 10 * sum(concentration * molar absorption). No interval: nothing is repeated."""
    each = LN10 * concentration_mol_m3 * 1e-3 * molar_base10_l_mol_cm * 0.1  # mol/L, 1/cm to 1/mm
    mu = Value(float(each.sum()), math.nan, math.nan, "1/mm")
    note = "computed from the recipe; the monomer's and other absorption comes on top"
    x = np.arange(1.0, len(each) + 1)
    return Fit({"absorption_per_mm": mu}, ("row", "absorption 1/mm"), x, each, each, (), (note,))


def working_curve(exposure_mj_cm2: np.ndarray, depth_mm: np.ndarray) -> Fit:
    """Penetration depth and onset from cured thickness: depth = Dp ln(E / Ec).

    The onset's dose, absorbed at the surface, is Ec / Dp. Source: P. F. Jacobs, Rapid Prototyping & Manufacturing
    (1992), stereolithography.
    Rows without thickness are left out and said so.
    """
    cured = depth_mm > 0
    notes = () if cured.all() else (f"{int((~cured).sum())} rows with no cured thickness are left out of the fit",)
    if cured.sum() < 3 or len(np.unique(exposure_mj_cm2[cured])) < 2:
        raise MeasurementError(
            f"{int(cured.sum())} rows with a cured thickness; a working curve takes three or more at two exposures "
            "or more."
        )
    x, y = np.log(exposure_mj_cm2[cured]), depth_mm[cured]
    slope = float(np.polyfit(x, y, 1)[0])
    _need_positive(slope, "mm", "penetration depth", "Does the thickness grow with the exposure?")
    start = (slope, float(x.mean() - y.mean() / slope))
    if len(np.unique(y)) < 2:
        raise MeasurementError("all films are equally thick; expected films that grow with the exposure.")
    (dp, log_ec), halves, fitted = least_squares(lambda t, d, e: d * (t - e), x, y, start)
    # onset dose = 10 Ec / Dp (mJ/cm2 over mm to mJ/cm3), its scatter from a fit in these very terms
    (_, log_dose), (_, half_dose), _ = least_squares(
        lambda t, d, g: d * (t - g - np.log(np.abs(d) / 10)), x, y, (dp, log_ec - math.log(dp / 10))
    )
    highest = 1 / (dp - halves[0]) if dp > halves[0] else math.inf
    values = {
        "penetration_depth_mm": Value(dp, dp - halves[0], dp + halves[0], "mm"),
        "absorption_per_mm": Value(1 / dp, 1 / (dp + halves[0]), highest, "1/mm"),
        "onset_mj_cm2": _from_log(log_ec, log_ec - halves[1], log_ec + halves[1], "mJ/cm2"),
        "onset_mj_cm3": _from_log(log_dose, log_dose - half_dose, log_dose + half_dose, "mJ/cm3"),
    }
    outliers = tuple(int(np.flatnonzero(cured)[i]) for i in outliers_of(x, y - fitted, 2, y))
    if cured.all():
        return Fit(values, ("ln(exposure / (mJ/cm2))", "depth mm"), x, y, fitted, outliers, notes)
    full = np.log(exposure_mj_cm2)
    return Fit(values, ("ln(exposure / (mJ/cm2))", "depth mm"), full, depth_mm, dp * (full - log_ec), outliers, notes)


def thresholds(dose_mj_cm3: np.ndarray, solid: np.ndarray) -> Fit:
    """liquid_below and solid_above from a dose series: 0 liquid, 1 solid, 0.5 partly.

    Where liquid and solid overlap a logistic curve in ln(dose) is fitted by maximum likelihood; liquid_below and
    solid_above are its 5 and 95 % points. Where they do not, the highest dose that stayed liquid and the lowest that
    turned solid are taken, with the gap to the next dose on the other side as interval.
    """
    from scipy.special import expit
    from scipy.stats import norm

    if not (solid == 0).any() or not (solid == 1).any():
        raise MeasurementError(
            "the dose series has no liquid or no solid row; expected both. Extend it to lower and higher doses."
        )
    if len(np.unique(dose_mj_cm3)) < 2:
        raise MeasurementError("the dose series has one dose only; expected several, some too low and some too high.")
    x = np.log(dose_mj_cm3)
    axes = ("ln(dose / (mJ/cm3))", "solid")
    top_liquid, low_cured = x[solid == 0].max(), x[solid > 0].min()
    low_solid, top_soft = x[solid == 1].min(), x[solid < 1].max()
    if top_liquid < low_cured and top_soft < low_solid:
        low = _from_log(top_liquid, top_liquid, low_cured, "mJ/cm3")
        high = _from_log(low_solid, top_soft, low_solid, "mJ/cm3")
        middle = _from_log((top_liquid + low_solid) / 2, top_liquid, low_solid, "mJ/cm3")
        note = "liquid and solid do not overlap: the intervals are the gaps between doses, no statistics"
        fitted = np.where(x <= top_liquid, 0.0, np.where(x >= low_solid, 1.0, 0.5))
        return Fit(_doses(low, middle, high), axes, x, solid, fitted, (), (note,))
    middle, width, covariance = logistic(x, solid)
    reach, quantile = math.log((1 - SURE) / SURE), float(norm.ppf(0.5 + CONFIDENCE / 2))
    found = []
    for side in (-reach, 0.0, reach):
        at = middle + side * width
        variance = covariance[0, 0] + 2 * side * covariance[0, 1] + side**2 * covariance[1, 1]
        half = quantile * math.sqrt(max(0.0, variance))
        found.append(_from_log(at, at - half, at + half, "mJ/cm3"))
    if found[2].value > WIDEST * found[0].value:
        raise MeasurementError(
            f"by this dose series the resin stays liquid below {amount(found[0].value, 3)} and is solid above "
            f"{amount(found[2].value, 3)} mJ/cm3: too far apart to print with. More vials at doses in between tell "
            "more."
        )
    fitted = expit((x - middle) / width)
    outliers = tuple(int(i) for i in np.flatnonzero(np.abs(solid - fitted) > 1 - 0.05 / len(x)))
    return Fit(_doses(*found), axes, x, solid, fitted, outliers, ())


def onset(irradiance_mw_cm2: np.ndarray, onset_s: np.ndarray) -> Fit:
    """Induction exposure (mJ/cm2) from the time until the first resin turns solid, and whether dose alone decides.

    The exposure is the geometric mean of irradiance * time. With three irradiances or more, time ~ irradiance^-p is
    fitted: p = 1 where a fixed dose is needed (inhibitor used up), nearer 1/2 where radicals end each other.
    """
    if len(onset_s) < 2:
        raise MeasurementError(f"{len(onset_s)} onset time; expected two or more, best at several irradiances.")
    log = np.log(irradiance_mw_cm2 * onset_s)
    half = half_of_mean(log)
    middle = float(log.mean())
    values = {"induction_mj_cm2": _from_log(middle, middle - half, middle + half, "mJ/cm2")}
    x, y = np.log(irradiance_mw_cm2), np.log(onset_s)
    fitted, outliers, notes = middle - x, (), ()
    if len(np.unique(x)) >= 3:
        (p, _), (half_p, _), line = least_squares(lambda t, p, c: c - p * t, x, y, (1.0, middle))
        values["dose_rate_exponent"] = Value(p, p - half_p, p + half_p, "1")
        outliers = outliers_of(x, y - line, 2, np.ones_like(y))
        if not p - half_p <= 1 <= p + half_p:
            fitted = line
            notes = (f"the exposure needed depends on irradiance (exponent {p:.2f}, not 1): print as you measured",)
    return Fit(values, ("ln(irradiance / (mW/cm2))", "ln(onset / s)"), x, y, fitted, outliers, notes)


def _from_log(value: float, low: float, high: float, unit: str) -> Value:
    return Value(_exp(value), _exp(low), _exp(high), unit)


def _exp(x: float) -> float:
    return math.exp(x) if x < 700 else math.inf  # exp(710) is beyond float64; a Fit takes nothing infinite


def _doses(low: Value, middle: Value, high: Value) -> dict[str, Value]:
    return {"liquid_below_mj_cm3": low, "gel_mj_cm3": middle, "solid_above_mj_cm3": high}


def _need_positive(value: float, unit: str, name: str, hint: str) -> None:
    if not value > 0:
        raise MeasurementError(f"the fit gives {an(name)} of {amount(value, 3)} {unit}; expected one above 0. {hint}")
