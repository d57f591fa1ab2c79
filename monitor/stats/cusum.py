"""The cumulative sum: the detector of a small, lasting shift.

Used by a rule one reading at a time (`cusum_step`) or on a whole series (`cusum_series`): one recursion.
The reference must be fixed: a mean learned from the data while it drifts absorbs the drift.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.stats.errors import Floats, positive, series, within

__all__ = ["CusumState", "cusum_crossed", "cusum_series", "cusum_signal", "cusum_step"]


class CusumState(NamedTuple):
    """The two sums, in the units of the data. Plain numbers: a rule may store them as they are."""

    upper: float = 0.0
    lower: float = 0.0


def cusum_start(headstart: float = 0.0) -> CusumState:
    """Both sums at their start: 0, or a headstart (half the threshold: fast initial response).

    Equation: S+ = S- = S0
    Range: headstart from 0, in the units of the data
    Raises: OutOfRange
    Source: Lucas and Crosier 1982
    Example:
        >>> cusum_start(2.5)
        CusumState(upper=2.5, lower=2.5)
    """
    return CusumState(*(within("headstart", headstart, 0.0),) * 2)


def cusum_step(state: CusumState, x: float, target: float, allowance: float) -> CusumState:
    """The sums after one more reading.

    Equation: S+ = max(0, S+ + x - target - K), S- = max(0, S- + target - K - x); K is half the shift to catch
    Range: finite numbers, allowance K from 0, in the units of the data
    Raises: OutOfRange, also for NaN: a missing reading is not stepped
    Source: Page 1954; Lucas and Crosier 1982
    Assumes: readings independent of each other; otherwise alarms come far too often, see `cusum_arl_ar1`
    Not for: a reference learned from the same readings
    Example:
        >>> cusum_step(CusumState(0.25, 0.0), 2.0, target=0.0, allowance=0.5)
        CusumState(upper=1.75, lower=0.0)
    """
    deviation = within("x", x) - within("target", target)
    k = within("allowance", allowance, 0.0)
    return CusumState(max(0.0, state.upper + deviation - k), max(0.0, state.lower - deviation - k))


def cusum_crossed(
    state: CusumState, threshold: float, inclusive: bool = False
) -> Literal["up", "down"] | None:
    """Which sum stands above its threshold, if any.

    Equation: S > H (with `inclusive`: S >= H)
    Range: threshold H above 0, in the units of the data
    Raises: OutOfRange
    Source: Montgomery and Runger, chapter 16
    Not for: saying how large the shift is
    Example:
        >>> cusum_crossed(CusumState(7.0, 0.0), 5.0)
        'up'
    """
    h = positive("threshold", threshold)
    if state.upper > h or (inclusive and state.upper == h):
        return "up"
    if state.lower > h or (inclusive and state.lower == h):
        return "down"
    return None


def cusum_series(
    x: ArrayLike, target: float, allowance: float, headstart: float = 0.0
) -> tuple[Floats, Floats]:
    """Upper and lower sum after each reading; they run on past a threshold.

    Equation: as `cusum_step`
    Range: finite numbers; allowance and headstart from 0
    Raises: OutOfRange
    Source: as `cusum_step`
    Not for: a reference learned from the same readings
    Example:
        >>> cusum_series([0.8, 1.9, 1.4], 0.0, 0.5)[0].round(1).tolist()
        [0.3, 1.7, 2.6]
    """
    state = cusum_start(headstart)
    states = [state := cusum_step(state, value, target, allowance) for value in series("x", x)]
    both = np.array(states, dtype=float)
    return both[:, 0], both[:, 1]


def cusum_signal(
    x: ArrayLike,
    target: float,
    allowance: float,
    threshold: float,
    headstart: float = 0.0,
    inclusive: bool = False,
) -> int | None:
    """Number of the first reading (from 1) at which a sum crosses; None when none does.

    Equation: as `cusum_step` and `cusum_crossed`
    Range: as there
    Raises: OutOfRange
    Source: as there
    Not for: a reference learned from the same readings
    Example:
        >>> cusum_signal([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6], 0.0, 0.5, 5.0)
        7
    """
    state = cusum_start(headstart)
    for number, value in enumerate(series("x", x), start=1):
        state = cusum_step(state, value, target, allowance)
        if cusum_crossed(state, threshold, inclusive):
            return number
    return None
