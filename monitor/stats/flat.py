"""How often a healthy sensor repeats itself: the measure for calling one stuck.

A quantised sensor in calm water may show one figure for hours. A flat-line limit must come from its
resolution and its noise: at a step of one sigma 10 equal readings are a rarity, at four sigma
30 are an everyday event.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.stats.distributions import normal_cdf_array
from monitor.stats.errors import Floats, OutOfRange, positive, whole, within
from monitor.stats.run_length import gauss

__all__ = [
    "expected_flat_runs",
    "flat_run_limit",
    "identical_readings_probability",
    "identical_readings_probability_averaged",
]

LONGEST_RUN = 1_000_000


def identical_readings_probability(
    resolution_over_sigma: float, readings: int, offset_in_steps: float = 0.0
) -> float:
    """Chance that so many readings in a row of a healthy sensor are equal.

    Equation: sum over codes k of p_k^n, p_k = Phi((k + 0.5 - u) q) - Phi((k - 0.5 - u) q), q step over sigma,
        u true value off a code in steps
    Range: q 0.01 to 100, n from 1, u -0.5 to 0.5
    Raises: OutOfRange
    Source: normal noise rounded to the nearest step
    Assumes: independent readings; memory makes equal runs more common still
    Not for: a filtered or averaged signal, which repeats itself far more
    Example:
        >>> round(identical_readings_probability(4.0, 30), 3)
        0.247
    """
    shares = _shares(resolution_over_sigma, within("offset_in_steps", offset_in_steps, -0.5, 0.5))
    return float(np.sum(shares ** whole("readings", readings)))


def identical_readings_probability_averaged(resolution_over_sigma: float, readings: int) -> float:
    """The same, for a true value that may lie anywhere between two codes.

    Equation: mean of `identical_readings_probability` over u from -0.5 to 0.5
    Range: as there
    Raises: OutOfRange
    Source: as there
    Assumes: as there
    Not for: a filtered or averaged signal, which repeats itself far more
    Example:
        >>> round(identical_readings_probability_averaged(2.0, 10), 5)
        0.01033
    """
    half, weights = gauss(0.0, 0.5, 200)  # the function is even
    chances = [identical_readings_probability(resolution_over_sigma, readings, float(u)) for u in half]
    return float(2.0 * weights @ np.array(chances))


def expected_flat_runs(
    resolution_over_sigma: float, readings: int, samples: int, offset_in_steps: float = 0.0
) -> float:
    """How many runs of at least so many equal readings a healthy sensor shows in a number of samples.

    Equation: sum p_k^n + (N - n) sum p_k^n (1 - p_k)
    Range: as `identical_readings_probability`; samples N at least n
    Raises: OutOfRange
    Source: as there; held to simulation in the tests
    Assumes: as there
    Not for: a filtered or averaged signal, which repeats itself far more
    Example:
        >>> round(expected_flat_runs(4.0, 30, 1440), 1)
        16.1
    """
    shares = _shares(resolution_over_sigma, within("offset_in_steps", offset_in_steps, -0.5, 0.5))
    n = whole("readings", readings)
    count = whole("samples", samples, n)
    runs = shares**n
    return float(np.sum(runs) + (count - n) * np.sum(runs * (1.0 - shares)))


def flat_run_limit(resolution_over_sigma: float, samples_per_day: float, false_alarms_per_day: float) -> int:
    """Fewest equal readings in a row worth calling a sensor stuck, at a bearable rate of false alarms.

    Equation: smallest n with sum p_k^n + samples x sum p_k^n (1 - p_k) <= false alarms, true value on a code
        (worst case)
    Range: q 0.01 to 100; samples and false alarms a day above 0
    Raises: OutOfRange, also when more than a million equal readings would be needed: such a sensor cannot be
        judged by repetition
    Source: as `expected_flat_runs`
    Assumes: as there
    Not for: a filtered or averaged signal, which repeats itself far more
    Example:
        >>> flat_run_limit(1.0, 1440, 1 / 30)
        11
    """
    shares = _shares(resolution_over_sigma, 0.0)
    per_day = positive("samples_per_day", samples_per_day)
    bearable = positive("false_alarms_per_day", false_alarms_per_day)

    def too_often(n: int) -> bool:
        runs = shares**n
        return float(np.sum(runs) + per_day * np.sum(runs * (1.0 - shares))) > bearable

    low, high = 1, 2
    while too_often(high):
        low, high = high, high * 2
        if high > LONGEST_RUN:
            raise OutOfRange(
                "resolution_over_sigma", resolution_over_sigma, "small enough that readings move at all"
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if too_often(middle) else (low, middle)
    return high


def _shares(resolution_over_sigma: float, offset: float) -> Floats:
    """Chance of each code; the codes reach 9 sigma either way."""
    q = within("resolution_over_sigma", resolution_over_sigma, 0.01, 100.0)
    reach = math.ceil(9.0 / q) + 1
    edges = (np.arange(-reach, reach + 2) - 0.5 - offset) * q
    return np.diff(normal_cdf_array(edges))
