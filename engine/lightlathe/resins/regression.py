"""Least squares, logistic curves and outliers, with confidence intervals."""

import math
import warnings
from collections.abc import Callable

import numpy as np

from lightlathe.errors import MeasurementError

CONFIDENCE = 0.95
# of a value: no bench repeats one more closely, so what is nearer is no outlier (common practice, no source)
REPEATS = 0.01


def least_squares(
    model: Callable, x: np.ndarray, y: np.ndarray, start: tuple[float, float]
) -> tuple[tuple[float, ...], tuple[float, ...], np.ndarray]:
    """Two parameters, half their confidence intervals (Student's t), and the model at x; scipy's curve_fit.

    Raises MeasurementError where no parameters are found, or the points do not say how well they are known.
    """
    from scipy.optimize import OptimizeWarning, curve_fit
    from scipy.stats import t

    # MINPACK, the default, gives no covariance for points that lie exactly on the model
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("error", OptimizeWarning)
            found, covariance = curve_fit(model, x, y, p0=start, method="trf")
    except (RuntimeError, ValueError, OptimizeWarning, np.linalg.LinAlgError):
        raise MeasurementError(
            "these points do not determine both parameters of the curve; expected points that spread along the axis "
            "and follow the law. Are columns and units right?"
        ) from None
    half = t.ppf(0.5 + CONFIDENCE / 2, len(x) - 2) * np.sqrt(np.diag(covariance))
    return tuple(map(float, found)), tuple(map(float, half)), model(x, *found)


def half_of_mean(each: np.ndarray) -> float:
    """Half the confidence interval of a mean; NaN for a single value."""
    from scipy.stats import t

    if len(each) < 2:
        return math.nan
    return float(t.ppf(0.5 + CONFIDENCE / 2, len(each) - 1) * each.std(ddof=1) / math.sqrt(len(each)))


def logistic(x: np.ndarray, y: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Middle and width of a logistic curve by maximum likelihood, and their covariance from its curvature."""
    from scipy.optimize import minimize
    from scipy.special import expit

    def miss(p: np.ndarray) -> float:
        z = (x - p[0]) / math.exp(min(p[1], 700.0))  # exp(710) is beyond float64
        return float(np.sum(np.logaddexp(0, z) - y * z))

    spread = max(float(x.std()), 1e-6)
    with np.errstate(all="ignore"):
        best = minimize(
            miss, (float(x.mean()), math.log(spread / 2)), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}
        )
    middle, width = float(best.x[0]), math.exp(min(best.x[1], 700.0))
    if not 1e-6 * spread < width < 1e3 * spread:
        raise MeasurementError("solid does not grow with dose in this series; are the columns right?")
    z = (x - middle) / width
    chance = expit(z)
    weight = chance * (1 - chance)
    dz_dp = np.stack([-np.ones_like(z), -z]) / width  # of z in middle and width
    try:
        return middle, width, np.linalg.inv((dz_dp * weight) @ dz_dp.T)
    except np.linalg.LinAlgError:
        raise MeasurementError(
            "the dose series does not say how far apart liquid and solid are; expected several doses around the change."
        ) from None


def outliers_of(x: np.ndarray, residual: np.ndarray, parameters: int, value: np.ndarray) -> tuple[int, ...]:
    """Points whose externally studentised residual is too large for chance at 5 % over all points (Bonferroni), and
    larger than REPEATS of `value`, what was measured there.

    Source: R. D. Cook & S. Weisberg, Residuals and Influence in Regression (1982), ch. 2 (from memory).
    """
    from scipy.stats import t

    n = len(x)
    free = n - parameters - 1
    if free < 1 or np.ptp(x) == 0:
        return ()
    leverage = 1 / n + (x - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum()
    total = float((residual**2).sum())
    if total <= 1e-24 * n:  # exact to rounding
        return ()
    spare = np.maximum(1 - leverage, 1e-9)  # 0 where one point alone settles the line: it is no outlier of it
    rest = np.maximum(total - residual**2 / spare, 1e-30 * max(total, 1e-300)) / free
    student = np.where(spare > 1e-9, np.abs(residual) / np.sqrt(rest * spare), 0.0)
    off = (student > t.ppf(1 - 0.025 / n, free)) & (np.abs(residual) > REPEATS * np.abs(value))
    return tuple(int(i) for i in np.flatnonzero(off))
