"""The yardstick: how soon a known shift can be found at a given rate of false alarms.

One-sided, independent normal readings, one sigma. Among all rules with at least the same mean run ARL0
between false alarms the CUSUM with k = half the shift has the least *worst-case* mean delay (Lorden 1971,
Moustakides 1986), the Shiryaev-Roberts rule the least *stationary* one (Pollak and Tartakovsky 2009): a
detector measured with faults put in at random times is held against the stationary delay. ln(ARL0)/KL is only
the leading term and no bound. For two sides with the same total ARL0 use twice that on each.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.stats.distributions import normal_cdf_array, normal_pdf
from monitor.stats.errors import Floats, within
from monitor.stats.run_length import (
    cusum_arl_one_sided,
    cusum_kernel,
    cusum_threshold,
    gauss,
    solve_log,
)

__all__ = [
    "optimal_cusum_delay_ratio",
    "optimal_cusum_stationary_delay",
    "optimal_cusum_threshold",
    "optimal_cusum_worst_delay",
    "shiryaev_roberts_stationary_delay",
    "shiryaev_roberts_threshold",
]


def optimal_cusum_threshold(arl0: float, shift: float) -> float:
    """Threshold h, in sigma, of the optimal CUSUM (k half the shift) at a one-sided mean run ARL0.

    Equation: `cusum_threshold` at k = shift / 2
    Range: shift 0.1 to 6 sigma; ARL0 above that of h = 0, up to 1e9
    Raises: OutOfRange
    Source: Moustakides 1986 (from memory); integral equation
    Not for: readings that remember each other: false alarms come far more often
    Example:
        >>> round(optimal_cusum_threshold(1000, 1.0), 3)
        5.071
    """
    return cusum_threshold(arl0, _known(shift) / 2.0)


def optimal_cusum_worst_delay(arl0: float, shift: float) -> float:
    """Worst-case mean delay of the optimal CUSUM, in samples, the first shifted sample counting as 1.

    Equation: its zero-start average run length at the shift
    Range: as `optimal_cusum_threshold`
    Raises: OutOfRange
    Source: Lorden 1971, Moustakides 1986 (from memory); integral equation
    Not for: holding a detector against that met its faults at random times
    Example:
        >>> round(optimal_cusum_worst_delay(1000, 1.0), 2)
        10.52
    """
    return cusum_arl_one_sided(shift / 2.0, optimal_cusum_threshold(arl0, shift), shift)


def optimal_cusum_delay_ratio(arl0: float, shift: float) -> float:
    """Worst-case delay over ln(ARL0)/KL, KL = shift²/2: how far the leading term is from the truth.

    Equation: delay / (ln(ARL0) / (shift² / 2))
    Range: as `optimal_cusum_threshold`
    Raises: OutOfRange
    Source: as `optimal_cusum_worst_delay`
    Not for: a bound: it is below 1 at small shifts
    Example:
        >>> round(optimal_cusum_delay_ratio(1000, 1.0), 3)
        0.761
    """
    return optimal_cusum_worst_delay(arl0, shift) / (math.log(arl0) / (shift * shift / 2.0))


def optimal_cusum_stationary_delay(arl0: float, shift: float) -> float:
    """Mean delay of the optimal CUSUM for a shift that comes long after the start, in samples.

    Equation: psi(0) / ARL0, psi = (I - K0)^-1 (I - K1)^-1 1, K0 and K1 the quiet and the shifted kernel
    Range: as `optimal_cusum_threshold`
    Raises: OutOfRange
    Source: Moustakides, Polunchenko and Tartakovsky 2009 (abstract); Monte Carlo in the tests
    Not for: readings that remember each other, or a fault that grows slowly
    Example:
        >>> round(optimal_cusum_stationary_delay(1000, 1.0), 2)
        9.79
    """
    h = optimal_cusum_threshold(arl0, shift)
    quiet, shifted = (cusum_kernel(shift / 2.0, h, m)[1] for m in (0.0, shift))
    return _stationary(quiet, shifted)


def shiryaev_roberts_threshold(arl0: float, shift: float) -> float:
    """Threshold B of the Shiryaev-Roberts rule at a one-sided mean run ARL0.

    Equation: R = (1 + R) exp(d x - d²/2), alarm at R >= B; the integral equation of its run length, the state
        being ln(1 + R), solved for B
    Range: shift 0.1 to 6 sigma; ARL0 10 to 1e9
    Raises: OutOfRange
    Source: Pollak and Tartakovsky 2009 (from memory); B/ARL0 0.560 at 1 sigma and 10,000 recomputed
    Assumes: independent normal readings
    Not for: readings that remember each other: false alarms come far more often
    Example:
        >>> round(shiryaev_roberts_threshold(10_000, 1.0) / 10_000, 3)
        0.56
    """
    wanted = within("arl0", arl0, 10.0, 1e9)
    d = _known(shift)

    def length(log_bar: float) -> float:
        kernel = _shiryaev_kernel(d, log_bar, 0.0)
        return float(np.linalg.solve(np.eye(kernel.shape[0]) - kernel, np.ones(kernel.shape[0]))[0])

    # B is a share of ARL0 that falls with the shift (0.75 at half a sigma, 0.19 at three): start well below
    below = math.log(wanted) - 2.0 * d - 2.0
    return math.exp(below + solve_log(lambda more: length(below + more), wanted, 0.0, 2.0))


def shiryaev_roberts_stationary_delay(arl0: float, shift: float) -> float:
    """Mean delay of the Shiryaev-Roberts rule for a shift long after the start: the least there is.

    Equation: as `shiryaev_roberts_threshold` and `optimal_cusum_stationary_delay`
    Range: shift 0.1 to 6 sigma; ARL0 10 to 1e9
    Raises: OutOfRange
    Source: Pollak and Tartakovsky 2009 (from memory); Moustakides et al. 2009 (abstract)
    Not for: readings that remember each other, or a fault that grows slowly
    Example:
        >>> round(shiryaev_roberts_stationary_delay(1000, 1.0), 2)
        9.64
    """
    log_bar = math.log(shiryaev_roberts_threshold(arl0, shift))
    return _stationary(_shiryaev_kernel(shift, log_bar, 0.0), _shiryaev_kernel(shift, log_bar, shift))


def _shiryaev_kernel(d: float, log_bar: float, shift: float) -> Floats:
    """States: R = 0 first, then nodes of ln R below the bar; what falls below them goes to R = 0."""
    lowest = min(log_bar, 0.0) - d * d / 2.0 - 8.5 * d
    count = 30 + int(7.0 * (log_bar - lowest) / min(d, 1.0))  # ln(1 + R) bends within about 1
    nodes, weights = gauss(lowest, log_bar, count)
    start = np.concatenate(([0.0], np.logaddexp(0.0, nodes)))
    mean = start + d * shift - d * d / 2.0
    to_zero = normal_cdf_array((lowest - mean) / d)[:, None]
    return np.hstack((to_zero, weights * normal_pdf((nodes[None, :] - mean[:, None]) / d) / d))


def _stationary(quiet: Floats, shifted: Floats) -> float:
    one = np.eye(quiet.shape[0])
    delay = np.linalg.solve(one - shifted, np.ones(quiet.shape[0]))
    sums = np.linalg.solve(one - quiet, np.column_stack((delay, np.ones(quiet.shape[0]))))
    return float(sums[0, 0] / sums[0, 1])


def _known(shift: float) -> float:
    return within("shift", shift, 0.1, 6.0)
