"""A straight line by least squares: how fast a sump loses, and whether faster than it used to.

Refills must be cut out before fitting, and readings that remember each other carry less than they seem to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.stats.distributions import student_t_cdf, student_t_quantile
from monitor.stats.errors import OutOfRange, paired, positive, series, whole, within

__all__ = [
    "FasterThanBaseline",
    "Line",
    "effective_sample_size",
    "faster_than_baseline",
    "lag1_autocorrelation",
    "least_squares",
    "slope_se_from_noise",
]


@dataclass(frozen=True)
class Line:
    """Slope and intercept with their standard errors, and the interval of the slope."""

    slope: float
    slope_se: float
    slope_low: float
    slope_high: float
    intercept: float
    intercept_se: float
    residual_sd: float
    degrees: float


def least_squares(t: ArrayLike, y: ArrayLike, confidence: float = 0.95, lag1_rho: float = 0.0) -> Line:
    """Ordinary least squares.

    Equation: b = S_ty / S_tt, a = mean y - b mean t, s² = SSE/(n-2), se_b = s / sqrt(S_tt),
        se_a = s sqrt(1/n + mean(t)²/S_tt), b -/+ t(n-2) se_b; with a lag-1 correlation rho of the residuals
        the errors grow by sqrt((1+rho)/(1-rho)) and the degrees of freedom shrink to n (1-rho)/(1+rho) - 2
    Range: 3 or more finite pairs, not all at one t; confidence above 0.5 below 1; rho 0 to 0.99
    Raises: OutOfRange
    Source: textbook; NIST StRD Norris in the tests
    Assumes: normal errors of one size, independent unless rho is given (then roughly AR(1))
    Not for: data with a refill or a wild point in them (see `theil_sen`)
    Example:
        >>> line = least_squares([0, 1, 2, 3], [300.2, 299.4, 298.9, 298.7])
        >>> round(line.slope, 3), round(line.slope_se, 3)
        (-0.5, 0.095)
    """
    times, values = paired(t, y, 3)
    if not 0.5 < confidence < 1.0:
        raise OutOfRange("confidence", confidence, "above 0.5 and below 1")
    n, centre = times.size, float(np.mean(times))
    away = times - centre
    s_tt = float(away @ away)
    if s_tt == 0.0:
        raise OutOfRange("t", float(times[0]), "at least two different times")
    level = float(np.mean(values))
    slope = float(away @ (values - level)) / s_tt
    left = values - level - slope * away
    kept = effective_sample_size(n, within("lag1_rho", lag1_rho, 0.0, 0.99)) / n
    degrees = positive("degrees of freedom", n * kept - 2.0)
    residual_sd = math.sqrt(float(left @ left) / (n - 2))
    slope_se = residual_sd / math.sqrt(s_tt * kept)
    intercept_se = residual_sd * math.sqrt((1.0 / n + centre**2 / s_tt) / kept)
    half = student_t_quantile(0.5 + confidence / 2.0, degrees) * slope_se
    return Line(
        slope, slope_se, slope - half, slope + half,
        level - slope * centre, intercept_se, residual_sd, degrees,
    )  # fmt: skip


@dataclass(frozen=True)
class FasterThanBaseline:
    """Student's t of the difference, and the one-sided chance of it without a real one."""

    t: float
    p_one_sided: float


def faster_than_baseline(line: Line, baseline_slope: float) -> FasterThanBaseline:
    """Whether a loss (falling line) is faster than a baseline, both slopes negative.

    Equation: t = (b - b0)/se, p = Student's cdf(t) with the line's degrees of freedom
    Range: a line with a standard error above 0; finite baseline
    Raises: OutOfRange
    Source: textbook
    Assumes: the baseline known exactly, or known far better than the line
    Not for: a baseline from the same stretch of readings
    Example:
        >>> line = least_squares([0, 1, 2, 3], [300.2, 299.4, 298.9, 298.7])
        >>> round(faster_than_baseline(line, -0.2).p_one_sided, 3)
        0.044
    """
    t = (line.slope - within("baseline_slope", baseline_slope)) / positive("slope_se", line.slope_se)
    return FasterThanBaseline(t, student_t_cdf(t, line.degrees))


def slope_se_from_noise(sigma: float, interval: float, readings: int) -> float:
    """Standard error a slope will have, from the noise, the interval between readings and their number.

    Equation: sigma sqrt(12 / (n (n² - 1))) / interval
    Range: sigma from 0, interval above 0, n from 2
    Raises: OutOfRange
    Source: closed form for equal intervals
    Assumes: independent noise; at lag-1 correlation 0.9 the real one is over four times larger
    Not for: readings that remember each other
    Example:
        >>> round(slope_se_from_noise(1.0, 1 / 60, 60), 3)
        0.447
    """
    n = whole("readings", readings, 2)
    spread = math.sqrt(12.0 / (n * (n * n - 1.0)))
    return within("sigma", sigma, 0.0) * spread / positive("interval", interval)


def effective_sample_size(readings: int, lag1_rho: float) -> float:
    """How many independent readings carry as much about a mean as these AR(1) ones.

    Equation: n (1 - rho)/(1 + rho)
    Range: n from 1, rho above -1 below 1
    Raises: OutOfRange
    Source: variance of the mean of an AR(1) series, large n
    Not for: slopes, whose loss is of the same kind but larger
    Example:
        >>> round(effective_sample_size(480, 0.9), 1)
        25.3
    """
    rho = within("lag1_rho", lag1_rho, -1.0 + 1e-9, 1.0 - 1e-9)
    return whole("readings", readings) * (1.0 - rho) / (1.0 + rho)


def lag1_autocorrelation(x: ArrayLike) -> float:
    """Correlation of each reading with the one before it.

    Equation: sum (x_i - m)(x_{i+1} - m) / sum (x_i - m)²
    Range: 3 or more finite readings, not all equal, at equal intervals
    Raises: OutOfRange
    Source: textbook
    Assumes: no trend (take residuals first)
    Not for: unevenly spaced readings
    Example:
        >>> round(lag1_autocorrelation([1.0, 2.0, 3.0, 2.0, 1.0, 0.0, 1.0]), 3)
        0.443
    """
    values = series("x", x, 3)
    away = values - np.mean(values)
    total = float(away @ away)
    if total == 0.0:
        raise OutOfRange("x", float(values[0]), "readings that are not all equal")
    return float(away[:-1] @ away[1:]) / total
