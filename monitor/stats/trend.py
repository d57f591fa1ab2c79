"""Is there a trend, and how steep: Mann-Kendall and Theil-Sen, which outliers do not lead astray."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from monitor.stats.distributions import normal_cdf, normal_quantile
from monitor.stats.errors import Floats, OutOfRange, paired, series

__all__ = ["MannKendall", "TheilSen", "mann_kendall", "theil_sen"]


@dataclass(frozen=True)
class MannKendall:
    """Score of a trend: `s` pairs rising less pairs falling, its variance, normal score and probability."""

    s: int
    variance: float
    z: float
    p_two_sided: float


@dataclass(frozen=True)
class TheilSen:
    """Median slope with its interval, in units of y per unit of t."""

    slope: float
    low: float
    high: float
    intercept: float


def mann_kendall(x: ArrayLike, probability: Literal["normal", "exact"] = "normal") -> MannKendall:
    """Mann-Kendall test for a trend, either way.

    Equation: S = sum of sign(x_j - x_i), i < j; Var = [n(n-1)(2n+5) - sum t(t-1)(2t+5)]/18, t sizes of ties;
        Z = (S -/+ 1)/sqrt(Var), 0 at S = 0; two-sided probability from Z, or counted over all orders (exact)
    Range: 3 or more finite readings in order of time; exact: at most 50, no ties
    Raises: OutOfRange
    Source: Mann 1945, Kendall 1975; EPA QA/G-9S
    Assumes: independent readings: memory between them inflates the significance. The normal approximation is
        for 10 or more readings; below that use exact
    Not for: series with a daily or weekly cycle
    Example:
        >>> result = mann_kendall([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])
        >>> result.s, round(result.variance, 2), round(result.z, 3)
        (22, 155.33, 1.685)
    """
    values = series("x", x, 3)
    n = values.size
    upper = np.triu_indices(n, 1)
    s = int(np.sign(values[upper[1]] - values[upper[0]]).sum())
    variance = (n * (n - 1) * (2 * n + 5) - _ties(values)) / 18.0
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance else 0.0
    if probability == "exact":
        return MannKendall(s, variance, z, _exact(s, n, values))
    if probability != "normal":
        raise OutOfRange("probability", probability, "normal or exact")
    return MannKendall(s, variance, z, 2.0 * normal_cdf(-abs(z)))


def theil_sen(
    t: ArrayLike,
    y: ArrayLike,
    confidence: float = 0.95,
    intercept: Literal["separate", "joint"] = "separate",
) -> TheilSen:
    """Median of the slopes of all pairs, by their times, with an interval.

    Equation: median of (y_j - y_i)/(t_j - t_i); N slopes sorted from 0, s = sqrt(Var S) with ties:
        low = slope[max(round((N - z s)/2) - 1, 0)], high = slope[min(round((N + z s)/2), N - 1)];
        intercept median(y) - slope median(t) (separate) or median(y - slope t) (joint)
    Range: 2 or more finite pairs, not all at one time, confidence above 0.5 below 1
    Raises: OutOfRange
    Source: Sen 1968
    Assumes: independent errors; up to 29 % of the points may be wild
    Not for: more than some thousand points at once: all pairs are formed
    Example:
        >>> line = theil_sen([0, 1, 2, 4, 7, 8, 12, 13, 15, 20],
        ...                  [5.0, 5.1, 5.1, 5.4, 5.8, 5.7, 6.3, 6.4, 9.9, 7.1])
        >>> round(line.slope, 5), round(line.low, 2), round(line.high, 2)
        (0.10833, 0.1, 0.14)
    """
    times, values = paired(t, y, 2)
    if not 0.5 < confidence < 1.0:
        raise OutOfRange("confidence", confidence, "above 0.5 and below 1")
    i, j = np.triu_indices(times.size, 1)
    run = times[j] - times[i]
    apart = run != 0.0
    if not apart.any():
        raise OutOfRange("t", float(times[0]), "at least two different times")
    slopes = np.sort((values[j] - values[i])[apart] / run[apart])
    slope = float(np.median(slopes))
    n = values.size
    spread = math.sqrt(max(n * (n - 1) * (2 * n + 5) - _ties(values) - _ties(times), 0.0) / 18.0)
    half = normal_quantile(0.5 + confidence / 2.0) * spread
    low = max(round((slopes.size - half) / 2.0) - 1, 0)
    high = min(round((slopes.size + half) / 2.0), slopes.size - 1)
    if intercept == "separate":
        at_zero = float(np.median(values) - slope * np.median(times))
    elif intercept == "joint":
        at_zero = float(np.median(values - slope * times))
    else:
        raise OutOfRange("intercept", intercept, "separate or joint")
    return TheilSen(slope, float(slopes[low]), float(slopes[high]), at_zero)


def _ties(values: Floats) -> int:
    sizes = np.unique(values, return_counts=True)[1].tolist()
    return sum(size * (size - 1) * (2 * size + 5) for size in sizes)


def _exact(s: int, n: int, values: Floats) -> float:
    """Share of all orders of n different readings with a score at least as far from zero."""
    if n > 50 or np.unique(values).size < n:
        raise OutOfRange("x", f"{n} readings", "at most 50 and no ties, for the exact probability")
    pairs = n * (n - 1) // 2
    orders = [1.0]  # share of orders by their number of inverted pairs
    for size in range(2, n + 1):
        orders = [sum(orders[max(0, i - size + 1) : i + 1]) / size for i in range(len(orders) + size - 1)]
    reach = (pairs - abs(s)) // 2
    return min(1.0, 2.0 * math.fsum(orders[: reach + 1]))
