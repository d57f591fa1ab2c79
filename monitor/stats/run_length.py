"""How long a detector runs: until a false alarm, and until it finds a fault. Computed, not looked up.

Everything here is in units of the noise: one sigma, independent normal readings. ARL is the average run
length, the mean number of samples to a signal, the signalling one included. For readings that remember each
other see `run_length_ar1`: the same rule alarms many times more often.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Literal

import numpy as np

from monitor.stats.distributions import normal_cdf, normal_cdf_array, normal_pdf
from monitor.stats.errors import Floats, OutOfRange, positive, whole, within

__all__ = [
    "consecutive_exceedances_samples",
    "cusum_arl_one_sided",
    "cusum_arl_siegmund",
    "cusum_arl_two_sided",
    "cusum_threshold",
    "ewma_arl",
    "false_alarms_per_day",
    "mean_days_between_false_alarms",
    "shewhart_arl0",
]

MOST_H = 200.0  # sigma
ENDLESS = 1e12  # a mean this long is no longer resolved by the equation, nor does it matter


def shewhart_arl0(z: float) -> float:
    """Mean number of samples between false alarms of a plain two-sided threshold at z sigma.

    Equation: 1 / (2 Phi(-z))
    Range: z 0 to 30
    Raises: OutOfRange
    Source: normal distribution
    Assumes: independent normal noise
    Not for: readings that remember each other: false alarms then come in bursts
    Example:
        >>> round(shewhart_arl0(3.0), 1)
        370.4
    """
    return 1.0 / (2.0 * normal_cdf(-within("z", z, 0.0, 30.0)))


def false_alarms_per_day(sensors: int, samples_per_day: float, z: float) -> float:
    """False alarms a day of plain two-sided thresholds at z sigma, over all sensors.

    Equation: sensors x samples x 2 Phi(-z)
    Range: sensors from 1, samples a day above 0, z 0 to 30
    Raises: OutOfRange
    Source: normal distribution
    Assumes: independent samples; minute data of a tank are not
    Not for: readings that remember each other: they come in bursts
    Example:
        >>> round(false_alarms_per_day(20, 1440, 3.0))
        78
    """
    return whole("sensors", sensors) * positive("samples_per_day", samples_per_day) / shewhart_arl0(z)


def mean_days_between_false_alarms(arl0: float, sample_min: float, sensors: int = 1) -> float:
    """Days between false alarms on the wall, from an average run length.

    Equation: ARL0 x sample interval / sensors
    Range: ARL0 from 1, interval above 0 min, sensors from 1
    Raises: OutOfRange
    Source: arithmetic
    Not for: an ARL0 taken from a table of independent data, on data that are not
    Example:
        >>> mean_days_between_false_alarms(465, 60, 20)
        0.96875
    """
    run = within("arl0", arl0, 1.0) * positive("sample_min", sample_min)
    return run / 1440.0 / whole("sensors", sensors)


def consecutive_exceedances_samples(probability: float, times: int) -> float:
    """Mean number of samples until so many exceedances follow on each other.

    Equation: (1 - p^m) / ((1 - p) p^m)
    Range: probability above 0, below 1; m from 1
    Raises: OutOfRange
    Source: closed form of the run of successes
    Assumes: independent samples
    Not for: readings that remember each other: runs are then far more common
    Example:
        >>> round(consecutive_exceedances_samples(0.00135, 2))
        549438
    """
    p = positive("probability", probability, 1.0 - 1e-12)
    all_of_them = math.pow(p, whole("times", times))
    return (1.0 - all_of_them) / ((1.0 - p) * all_of_them)


def cusum_arl_one_sided(k: float, h: float, shift: float = 0.0, headstart: float = 0.0) -> float:
    """Average run length of a one-sided CUSUM.

    Equation: L(s) = 1 + L(0) Phi(k - s - m) + integral 0..h of L(y) phi(y + k - s - m) dy, m the shift;
        solved on Gauss-Legendre nodes
    Range: k 0 to 5, h above 0 to 200, headstart 0 to h, shift -10 to 10, all in sigma. Beyond 1e12 samples
        the answer is infinity
    Raises: OutOfRange
    Source: Page 1954; published values of Lucas and Crosier, Waldmann, Vance in the tests
    Assumes: independent normal readings
    Not for: two-sided charts (about half at no shift): check which one a table means
    Example:
        >>> round(cusum_arl_one_sided(0.5, 4.0), 1)
        335.4
    """
    start = within("headstart", headstart, 0.0, _threshold(h))
    points, kernel = cusum_kernel(_allowance(k), h, _shift(shift))
    lengths = _solve(kernel, np.ones(points.size))
    if start == 0.0:
        return _endless(float(lengths[0]))
    row = _cusum_rows(np.array([start]), k, h, shift)
    return _endless(1.0 + float((row @ lengths)[0]))


def cusum_arl_two_sided(k: float, h: float, shift: float = 0.0, headstart: float = 0.0) -> float:
    """Average run length of a two-sided CUSUM, both sums started alike.

    Equation: zero start 1/L = 1/p0 + 1/m0; headstart (p m0 + m p0 - p0 m0) / (p0 + m0), p, m the
        one-sided lengths towards and away from the shift from the headstart, p0, m0 from zero
    Range: as `cusum_arl_one_sided`. Up to a headstart of h/2 one sum is at zero whenever the other signals;
        above it the equation is an approximation
    Raises: OutOfRange, also where that approximation falls below one sample
    Source: Lucas and Crosier 1982
    Assumes: independent normal readings
    Not for: readings that remember each other: see `cusum_arl_ar1`
    Example:
        >>> round(cusum_arl_two_sided(0.5, 5.0), 1)
        465.4
    """
    towards, away = (cusum_arl_one_sided(k, h, sign * abs(shift)) for sign in (1.0, -1.0))
    if headstart == 0.0:
        return 1.0 / (1.0 / towards + 1.0 / away)
    started = cusum_arl_one_sided(k, h, abs(shift), headstart)
    if math.isinf(away):
        return started
    away_started = cusum_arl_one_sided(k, h, -abs(shift), headstart)
    length = (started * away + away_started * towards - towards * away) / (towards + away)
    if length < 1.0:
        raise OutOfRange("headstart", headstart, f"at most h/2 = {h / 2.0:g}")
    return length


def cusum_arl_siegmund(k: float, h: float, shift: float = 0.0) -> float:
    """Average run length of a one-sided CUSUM, approximately, for a first guess.

    Equation: (exp(-2 d b) + 2 d b - 1) / (2 d²), d = shift - k, b = h + 1.166; b² at d = 0
    Range: as `cusum_arl_one_sided`
    Raises: OutOfRange
    Source: Siegmund 1985, from memory; within a few per cent of `cusum_arl_one_sided`
    Assumes: independent normal readings
    Not for: a stated false-alarm rate: compute `cusum_arl_one_sided`
    Example:
        >>> round(cusum_arl_siegmund(0.5, 5.0))
        938
    """
    d = _shift(shift) - _allowance(k)
    b = _threshold(h) + 1.166
    if abs(d) * b < 1e-6:
        return b * b
    return (math.exp(min(-2.0 * d * b, 700.0)) + 2.0 * d * b - 1.0) / (2.0 * d * d)


def cusum_threshold(arl0: float, k: float, sides: Literal[1, 2] = 1) -> float:
    """Threshold h, in sigma, at which a CUSUM has the wanted mean run between false alarms.

    Equation: `cusum_arl_one_sided` (two sides: twice the wanted length) solved for h
    Range: ARL0 up to 1e9, above that of h = 0, which is 1 / Phi(-k) for one side; k 0 to 5
    Raises: OutOfRange
    Source: as `cusum_arl_one_sided`
    Assumes: independent normal readings
    Not for: readings that remember each other: see `cusum_threshold_ar1`
    Example:
        >>> round(cusum_threshold(465.4435, 0.5, sides=2), 3)
        5.0
    """
    if sides not in (1, 2):
        raise OutOfRange("sides", sides, "1 or 2")
    allowance = _allowance(k)
    least = 1.0 / normal_cdf(-allowance) / sides
    wanted = within("arl0", arl0, least * (1.0 + 1e-9), 1e9) * sides
    return solve_log(lambda h: cusum_arl_one_sided(allowance, h), wanted, 1e-6, 1.0, MOST_H)


def ewma_arl(
    weight: float,
    width: float,
    shift: float = 0.0,
    limits: Literal["asymptotic", "time-varying"] = "asymptotic",
) -> float:
    """Average run length of a two-sided EWMA started at its target.

    Equation: L(u) = 1 + (1/w) integral -c..c of L(y) phi((y - (1-w) u)/w - m) dy, c = width sqrt(w/(2-w));
        time-varying limits: the density is carried forward until they stand still, then the same
    Range: weight w 0.01 to 1, width 0.5 to 6 sigma multiples, shift -10 to 10 sigma
    Raises: OutOfRange
    Source: Crowder 1987; published designs of Crowder 1989 in the tests
    Assumes: independent normal readings
    Not for: readings that remember each other
    Example:
        >>> round(ewma_arl(0.3, 3.0, 1.0), 2)
        11.7
    """
    w = within("weight", weight, 0.01, 1.0)
    wide = within("width", width, 0.5, 6.0) * math.sqrt(w / (2.0 - w))
    m = _shift(shift)
    nodes, weights = gauss(-wide, wide, 30 + int(10.0 * wide / w))
    lengths = _solve(weights * _ewma_density(nodes, nodes, w, m), np.ones(nodes.size))

    def steady(u: Floats) -> Floats:
        return 1.0 + (weights * _ewma_density(u, nodes, w, m)) @ lengths

    if limits == "asymptotic":
        return _endless(float(steady(np.zeros(1))[0]))
    if limits != "time-varying":
        raise OutOfRange("limits", limits, "asymptotic or time-varying")
    return _endless(_ewma_starting(w, wide, m, nodes.size, steady))


def _ewma_starting(w: float, wide: float, m: float, count: int, steady: Callable[[Floats], Floats]) -> float:
    """Sum of the chances to be still running while the limits open, then the steady length from there."""
    points: Floats = np.zeros(1)
    density: Floats = np.ones(1)
    total, faded = 0.0, 1.0
    while faded > 1e-10:
        total += float(np.sum(density))
        faded *= (1.0 - w) ** 2
        half = wide * math.sqrt(1.0 - faded)
        nodes, weights = gauss(-half, half, count)
        density = (density @ _ewma_density(points, nodes, w, m)) * weights
        points = nodes
    return total + float(density @ steady(points))


def _ewma_density(start: Floats, end: Floats, w: float, m: float) -> Floats:
    return normal_pdf((end[None, :] - (1.0 - w) * start[:, None]) / w - m) / w


def cusum_kernel(k: float, h: float, shift: float) -> tuple[Floats, Floats]:
    """States (0 and the nodes) of a one-sided CUSUM and the chance of going from each to each."""
    nodes, _ = _cusum_nodes(h)
    points = np.concatenate(([0.0], nodes))
    return points, _cusum_rows(points, k, h, shift)


def _cusum_nodes(h: float) -> tuple[Floats, Floats]:
    return gauss(0.0, h, 30 + int(6.0 * h))


def _cusum_rows(start: Floats, k: float, h: float, shift: float) -> Floats:
    nodes, weights = _cusum_nodes(h)
    to_zero = normal_cdf_array(k - start - shift)[:, None]
    return np.hstack((to_zero, weights * normal_pdf(nodes[None, :] + k - start[:, None] - shift)))


def gauss(low: float, high: float, count: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on an interval."""
    nodes, weights = _unit_gauss(count)
    return low + (high - low) * nodes, (high - low) * weights


@lru_cache(maxsize=32)
def _unit_gauss(count: int) -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1.0) / 2.0, weights / 2.0


def _solve(kernel: Floats, right: Floats) -> Floats:
    return np.linalg.solve(np.eye(kernel.shape[0]) - kernel, right)


def solve_log(
    length: Callable[[float], float],
    wanted: float,
    low: float,
    high: float,
    most: float = math.inf,
    digits: float = 1e-11,
) -> float:
    """Where a rising run length meets the wanted one; its logarithm is nearly a straight line (Illinois)."""
    goal = math.log(wanted)

    def off(h: float) -> float:
        return math.log(min(length(h), ENDLESS)) - goal

    off_low, off_high = off(low), off(high)
    while off_high < 0.0:
        if high >= most:
            raise OutOfRange("arl0", wanted, f"a run length that a threshold of {most:g} still reaches")
        low, off_low = high, off_high
        high = min(1.6 * high, most)
        off_high = off(high)
    middle = high
    for _ in range(100):
        middle = high - off_high * (high - low) / (off_high - off_low)
        value = off(middle)
        if abs(value) < digits or abs(high - low) < 1e-14 * abs(high):
            break
        if value * off_high < 0.0:
            low, off_low = high, off_high
        else:
            off_low /= 2.0
        high, off_high = middle, value
    return middle


def _endless(length: float) -> float:
    return length if 0.0 < length < ENDLESS else math.inf


def _allowance(k: float) -> float:
    return within("k", k, 0.0, 5.0)


def _threshold(h: float) -> float:
    return positive("h", h, MOST_H)


def _shift(shift: float) -> float:
    return within("shift", shift, -10.0, 10.0)
