"""Change of level: Page-Hinkley as readings come, Pettitt's test on a finished series."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.stats.errors import Floats, OutOfRange, positive, series, whole, within

__all__ = [
    "LevelChange",
    "PageHinkleyState",
    "level_change",
    "page_hinkley_series",
    "page_hinkley_signal",
    "page_hinkley_step",
]

Mode = Literal["up", "down", "both"]


class PageHinkleyState(NamedTuple):
    """Plain numbers: a rule may store them as they are."""

    readings: int = 0
    mean: float = 0.0
    up: float = 0.0
    up_least: float = math.inf
    down: float = 0.0
    down_most: float = -math.inf

    def statistic(self, mode: Mode) -> float:
        """What is held against the threshold."""
        if not self.readings:
            return 0.0
        risen, fallen = self.up - self.up_least, self.down_most - self.down
        if mode not in ("up", "down", "both"):
            raise OutOfRange("mode", mode, "up, down or both")
        return risen if mode == "up" else fallen if mode == "down" else max(risen, fallen)


def page_hinkley_step(
    state: PageHinkleyState, x: float, delta: float, forgetting: float = 1.0
) -> PageHinkleyState:
    """The state after one more reading.

    Equation: mean of all readings, x included; up = a up + (x - mean) - delta, statistic up - min(up);
        down = a down + (x - mean) + delta, statistic max(down) - down
    Range: finite readings; delta from 0 in the units of the data; forgetting factor a above 0 to 1
    Raises: OutOfRange
    Source: Page 1954, Hinkley 1971
    Assumes: thresholds in the units of the data: never use another's defaults
    Not for: slow creep, which the running mean follows; a CUSUM on a fixed reference is better there
    Example:
        >>> page_hinkley_step(PageHinkleyState(), 5.0, 0.05).statistic("up")
        0.0
    """
    value, slack = within("x", x), within("delta", delta, 0.0)
    keep = positive("forgetting", forgetting, 1.0)
    count = state.readings + 1
    mean = state.mean + (value - state.mean) / count
    up = keep * state.up + (value - mean) - slack
    down = keep * state.down + (value - mean) + slack
    return PageHinkleyState(count, mean, up, min(state.up_least, up), down, max(state.down_most, down))


def page_hinkley_series(x: ArrayLike, delta: float, forgetting: float = 1.0, mode: Mode = "up") -> Floats:
    """The statistic after each reading.

    Equation: as `page_hinkley_step`
    Range: as there
    Raises: OutOfRange
    Source: as there
    Not for: slow creep, as `page_hinkley_step`
    Example:
        >>> page_hinkley_series([5.0, 5.1, 4.9, 5.0, 5.1], 0.05).round(3).tolist()
        [0.0, 0.0, 0.0, 0.0, 0.03]
    """
    state = PageHinkleyState()
    return np.array(
        [
            (state := page_hinkley_step(state, value, delta, forgetting)).statistic(mode)
            for value in series("x", x)
        ]
    )


def page_hinkley_signal(
    x: ArrayLike,
    delta: float,
    threshold: float,
    forgetting: float = 1.0,
    min_readings: int = 1,
    mode: Mode = "up",
) -> int | None:
    """Number of the first reading (from 1) whose statistic exceeds the threshold; None when none does.

    Equation: statistic > threshold, once `min_readings` have been seen
    Range: as `page_hinkley_step`; threshold above 0; min_readings from 1
    Raises: OutOfRange
    Source: as there
    Not for: slow creep, as `page_hinkley_step`
    Example:
        >>> page_hinkley_signal([5.0, 5.1, 4.9, 5.0, 5.6, 5.7, 5.5, 5.8], 0.05, 1.0)
        7
    """
    limit = positive("threshold", threshold)
    first = whole("min_readings", min_readings)
    for number, value in enumerate(page_hinkley_series(x, delta, forgetting, mode), start=1):
        if number >= first and value > limit:
            return number
    return None


@dataclass(frozen=True)
class LevelChange:
    """Where a series changed its level, both levels, and how likely chance alone does as much."""

    first_after: int
    """Index, from 0, of the first reading of the new level."""
    before: float
    after: float
    p: float


def level_change(x: ArrayLike) -> LevelChange:
    """The place of one change of level in a finished series, both levels, and Pettitt's probability.

    Equation: place with the least sum of absolute deviations from the median on each side;
        K = max over t of |sum over i <= t < j of sign(x_i - x_j)|, p = min(1, 2 exp(-6 K²/(n³ + n²)))
    Range: 4 or more finite readings
    Raises: OutOfRange
    Source: Pettitt 1979 for the probability (his own place, the t of K, leans to the middle of the series)
    Assumes: independent readings, one change
    Not for: a drift, which it also calls a change
    Example:
        >>> change = level_change([5.0, 5.1, 4.9, 5.0, 5.1, 4.9, 5.6, 5.7, 5.5, 5.8, 5.6, 5.7])
        >>> change.first_after, change.before, round(change.after, 2), round(change.p, 3)
        (6, 5.0, 5.65, 0.031)
    """
    values = series("x", x, 4)
    n = values.size
    signs = np.sign(values[:, None] - values[None, :])
    k = max(abs(float(signs[:t, t:].sum())) for t in range(1, n))
    p = min(1.0, 2.0 * math.exp(-6.0 * k * k / (n**3 + n**2)))
    split = min(range(1, n), key=lambda t: _deviations(values[:t]) + _deviations(values[t:]))
    return LevelChange(split, float(np.median(values[:split])), float(np.median(values[split:])), p)


def _deviations(values: Floats) -> float:
    return float(np.sum(np.abs(values - np.median(values))))
