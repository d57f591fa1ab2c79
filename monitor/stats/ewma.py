"""The exponentially weighted moving average: a smoother and a detector in one number."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from monitor.stats.errors import Floats, OutOfRange, positive, series, whole, within

__all__ = ["ewma_limits", "ewma_series", "ewma_signal", "ewma_step"]

Limits = Literal["asymptotic", "time-varying"]


def ewma_step(z: float, x: float, weight: float) -> float:
    """The average after one more reading.

    Equation: z = w x + (1 - w) z
    Range: finite numbers, weight above 0 to 1
    Raises: OutOfRange, also for NaN
    Source: Roberts 1959
    Not for: unevenly spaced readings
    Example:
        >>> round(ewma_step(50.0, 52.0, 0.3), 6)
        50.6
    """
    w = positive("weight", weight, 1.0)
    return w * within("x", x) + (1.0 - w) * within("z", z)


def ewma_series(x: ArrayLike, weight: float, start: float) -> Floats:
    """The average after each reading.

    Equation: as `ewma_step`
    Range: as `ewma_step`
    Raises: OutOfRange
    Source: as `ewma_step`
    Not for: unevenly spaced readings
    Example:
        >>> ewma_series([52.0, 47.0], 0.3, 50.0).round(2).tolist()
        [50.6, 49.52]
    """
    z = within("start", start)
    return np.array([z := ewma_step(z, value, weight) for value in series("x", x)])


def ewma_limits(
    target: float, sigma: float, weight: float, width: float, sample: int | None = None
) -> tuple[float, float]:
    """Lower and upper control limit, in the units of the data.

    Equation: target -/+ L s sqrt(w/(2-w) [1 - (1-w)^(2i)]) at sample i; without a sample the bracket is 1
    Range: sigma and width above 0, weight above 0 to 1, sample from 1
    Raises: OutOfRange
    Source: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.4
    Assumes: independent readings
    Not for: readings that remember each other: the limits are then too narrow
    Example:
        >>> [round(limit, 4) for limit in ewma_limits(50.0, 2.0539, 0.3, 3.0)]
        [47.4116, 52.5884]
    """
    w = positive("weight", weight, 1.0)
    opened = 1.0 if sample is None else 1.0 - (1.0 - w) ** (2 * whole("sample", sample))
    half = positive("width", width) * positive("sigma", sigma) * math.sqrt(w / (2.0 - w) * opened)
    centre = within("target", target)
    return centre - half, centre + half


def ewma_signal(
    x: ArrayLike, target: float, sigma: float, weight: float, width: float, limits: Limits = "asymptotic"
) -> int | None:
    """Number of the first reading (from 1) whose average lies outside its limits; None when none does.

    Equation: as `ewma_series` started at the target, and `ewma_limits`
    Range: as there
    Raises: OutOfRange
    Source: as there
    Not for: readings that remember each other: alarms come too often
    Example:
        >>> ewma_signal([10.0, 10.0, 14.0, 14.0], 10.0, 1.0, 0.3, 3.0)
        4
    """
    if limits not in ("asymptotic", "time-varying"):
        raise OutOfRange("limits", limits, "asymptotic or time-varying")
    for sample, z in enumerate(ewma_series(x, weight, target), start=1):
        low, high = ewma_limits(target, sigma, weight, width, sample if limits == "time-varying" else None)
        if not low <= z <= high:
            return sample
    return None
