"""Centre, spread and outliers that a few bad readings do not spoil."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from monitor.stats.errors import Floats, positive, series, within

__all__ = ["median_and_mad", "modified_z", "outliers"]

TO_SIGMA = 0.6745  # MAD of a standard normal, as Iglewicz and Hoaglin round it
MEAN_DEVIATION_TO_SIGMA = 1.253314  # sqrt(pi/2)


def median_and_mad(x: ArrayLike) -> tuple[float, float]:
    """Median, and median absolute deviation from it.

    Equation: MAD = median |x - median(x)|; for a normal sigma = MAD / 0.6745
    Range: one or more finite readings
    Raises: OutOfRange
    Source: Iglewicz and Hoaglin 1993
    Not for: dividing by: MAD is 0 when more than half the readings are equal, as a quantised sensor's are
    Example:
        >>> [round(v, 2) for v in median_and_mad([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3])]
        [2.45, 0.15]
    """
    values = series("x", x)
    centre = float(np.median(values))
    return centre, float(np.median(np.abs(values - centre)))


def modified_z(x: ArrayLike, resolution: float = 0.0) -> Floats:
    """How far each reading lies from the median, in robust sigmas.

    Equation: 0.6745 (x - median) / max(MAD, resolution/2); when that is 0, (x - median) / (1.253314 mean
        absolute deviation); all 0 when all readings are equal
    Range: one or more finite readings; resolution of the sensor from 0, in the units of the data
    Raises: OutOfRange
    Source: Iglewicz and Hoaglin 1993
    Not for: a series with a trend in it
    Example:
        >>> modified_z([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3]).round(2).tolist()[-1]
        26.31
    """
    values = series("x", x)
    centre, mad = median_and_mad(values)
    spread = max(mad, within("resolution", resolution, 0.0) / 2.0)
    far = values - centre
    # A spread that is nothing beside the readings is rounding, not spread: the quotient would overflow.
    if spread > float(np.max(np.abs(far))) / np.finfo(float).max:
        return TO_SIGMA * far / spread
    mean_deviation = float(np.mean(np.abs(far)))
    if mean_deviation == 0.0:
        return np.zeros_like(values)
    return far / (MEAN_DEVIATION_TO_SIGMA * mean_deviation)


def outliers(x: ArrayLike, cutoff: float = 3.5, resolution: float = 0.0) -> list[int]:
    """Indices, from 0, of the readings further out than the cutoff.

    Equation: |modified z| > cutoff
    Range: as `modified_z`; cutoff above 0
    Raises: OutOfRange
    Source: Iglewicz and Hoaglin 1993 (cutoff 3.5)
    Not for: a series with a trend in it
    Example:
        >>> outliers([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3])
        [8, 9]
    """
    limit = positive("cutoff", cutoff)
    far: list[int] = np.flatnonzero(np.abs(modified_z(x, resolution)) > limit).tolist()
    return far
