"""Where a sump's missing litres went: evaporated, or lost as mixture. With how sure one may be.

Two levels and two refractometer readings tell it, because evaporation leaves the concentrate behind. A small
drop tells nothing: at 0.1 Brix and 1 L, a 5 % drop leaves the split uncertain by 0.46, a 20 % drop by 0.10.

Cautions: coolant on the floor is slipping and electricity first, diagnosis second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.water.errors import OutOfRange, positive, within
from monitor.water.loss_split import (
    HOLDUP_STD_L,
    LEVEL_STD_L,
    ZERO_STD_BRIX,
    Instrument,
    LossSplit,
    reading_std_of,
    split_losses,
    volume_std_of,
    zero_std_of,
)

__all__ = [
    "evaporated_bracket",
    "evaporated_fraction",
    "evaporated_fraction_std",
    "evaporated_volume_l",
    "mixture_lost_l",
    "split_level_drop",
]


@dataclass(frozen=True)
class Bracket:
    """Least and most that can have evaporated, whatever the order of events."""

    low_l: float
    high_l: float


def evaporated_fraction(
    volume_before_l: float, volume_after_l: float, before_brix: float, after_brix: float
) -> float:
    """Share of a level drop that evaporated, from two levels and two readings, nothing added between.

    Equation: phi = ln(b1/b0) / ln(V0/V1); 1 evaporation only, 0 mixture only
    Range: volumes above 0 L and fallen; readings, less their zero on water, above 0 to 90 Brix.
        Outside 0 to 1 when the readings scatter: not clipped
    Raises: OutOfRange
    Source: water balance, integrated
    Assumes: constant ratio of the two losses; mixture lost at the sump's own strength (a skim of tramp oil,
        or drag-out leaner than the sump, biases it); readings zeroed on the make-up water
    Not for: a verdict: without its uncertainty the figure means nothing, see `split_level_drop`
    Example:
        >>> round(evaporated_fraction(300, 240, 6.0, 6.966), 3)
        0.669
    """
    before, after = _volumes(volume_before_l, volume_after_l)
    return _rise(before_brix, after_brix) / math.log(before / after)


def evaporated_volume_l(
    volume_before_l: float, volume_after_l: float, before_brix: float, after_brix: float
) -> float:
    """Litres of a level drop that evaporated, nothing added between.

    Equation: phi (V0 - V1), phi as in `evaporated_fraction`
    Range: as `evaporated_fraction`
    Raises: OutOfRange
    Source: water balance, integrated
    Assumes: as `evaporated_fraction`
    Not for: a verdict: see `split_level_drop`
    Example:
        >>> round(evaporated_volume_l(300, 240, 6.0, 6.966), 1)
        40.1
    """
    fraction = evaporated_fraction(volume_before_l, volume_after_l, before_brix, after_brix)
    return fraction * (volume_before_l - volume_after_l)


def mixture_lost_l(
    volume_before_l: float, volume_after_l: float, before_brix: float, after_brix: float
) -> float:
    """Litres of a level drop that left as mixture (drag-out, leak), nothing added between.

    Equation: (1 - phi) (V0 - V1), phi as in `evaporated_fraction`
    Range: as `evaporated_fraction`
    Raises: OutOfRange
    Source: water balance, integrated
    Assumes: as `evaporated_fraction`
    Not for: a verdict: see `split_level_drop`
    Example:
        >>> round(mixture_lost_l(300, 240, 6.0, 6.966), 1)
        19.9
    """
    evaporated = evaporated_volume_l(volume_before_l, volume_after_l, before_brix, after_brix)
    return volume_before_l - volume_after_l - evaporated


def evaporated_bracket(
    volume_before_l: float, volume_after_l: float, before_brix: float, after_brix: float
) -> Bracket:
    """Least and most that can have evaporated, whichever of the two losses came first.

    Equation: V1 (r - 1) if the mixture left first, V0 (1 - 1/r) if evaporation came first, r = b1/b0
    Range: as `evaporated_fraction`
    Raises: OutOfRange
    Source: water balance
    Not for: the scatter of the readings, which comes on top
    Example:
        >>> bracket = evaporated_bracket(300, 240, 6.0, 6.966)
        >>> round(bracket.low_l, 2), round(bracket.high_l, 2)
        (38.64, 41.6)
    """
    before, after = _volumes(volume_before_l, volume_after_l)
    ratio = math.exp(_rise(before_brix, after_brix))
    return Bracket(after * (ratio - 1.0), before * (1.0 - 1.0 / ratio))


def evaporated_fraction_std(
    volume_before_l: float,
    volume_after_l: float,
    before_brix: float,
    after_brix: float,
    reading_std_brix: float,
    volume_std_l: float,
) -> float:
    """Standard uncertainty of the evaporated fraction, first order.

    Equation: hypot(s_A / B, A s_B / B²), A = ln(b1/b0), B = ln(V0/V1), s_A = s_b hypot(1/b0, 1/b1),
        s_B = s_V hypot(1/V0, 1/V1)
    Range: as `evaporated_fraction`; both uncertainties from 0
    Raises: OutOfRange
    Source: propagation of independent errors (GUM); held to Monte Carlo in the tests
    Not for: a drop as small as its uncertainty
    Example:
        >>> round(evaporated_fraction_std(300, 285, 6.0, 6.2, 0.1, 1.0), 3)
        0.456
    """
    before, after = _volumes(volume_before_l, volume_after_l)
    rise, fall = _rise(before_brix, after_brix), math.log(before / after)
    rise_std = within("reading_std_brix", reading_std_brix, 0.0, 10.0, "°Brix")
    rise_std *= math.hypot(1.0 / before_brix, 1.0 / after_brix)
    fall_std = within("volume_std_l", volume_std_l, 0.0, unit="L") * math.hypot(1.0 / before, 1.0 / after)
    return math.hypot(rise_std / fall, rise * fall_std / fall**2)


def split_level_drop(
    volume_before_l: float,
    volume_after_l: float,
    before_brix: float,
    after_brix: float,
    instrument: Instrument = "optical",
    reading_std_brix: float | None = None,
    level_std_l: float = LEVEL_STD_L,
    holdup_std_l: float = HOLDUP_STD_L,
    zero_brix: float = 0.0,
    zero_std_brix: float = ZERO_STD_BRIX,
) -> LossSplit:
    """Split a level drop into evaporation and lost mixture, with 90 % intervals and a verdict.

    Equation: as `evaporated_fraction`; intervals of the litres by first-order propagation, of the fraction by
        Fieller's theorem (exact for a ratio of normal quantities, and unbounded when the drop is not
        distinguishable from none)
    Range: as `evaporated_fraction`
    Raises: OutOfRange
    Source: water balance; Fieller 1954 (from memory); coverage held to Monte Carlo in the tests
    Assumes: each reading uncertain by 0.25 °Brix optical, 0.15 digital, each volume by hypot(level, hold-up),
        the zero on water by 0.1, all independent (defaults: common practice, no source); nothing added
        between; levels at quiet moments
    Not for: a period with additions (`split_period`)
    Example:
        >>> split = split_level_drop(300, 240, 6.0, 7.5, instrument="digital")
        >>> split.verdict, round(split.fraction_low, 2), round(split.fraction_high, 2)
        ('evaporation', 0.75, 1.26)
        >>> split_level_drop(300, 285, 6.0, 6.2).verdict
        'cannot tell yet'
    """
    before, after = _volumes(volume_before_l, volume_after_l)
    zero = within("zero_brix", zero_brix, -5.0, 5.0, "°Brix")
    reading_std = reading_std_of(instrument, reading_std_brix)
    volume_std = volume_std_of(level_std_l, holdup_std_l)
    _rise(before_brix - zero, after_brix - zero)

    def losses(x: Sequence[float]) -> tuple[float, float]:
        fall = math.log(x[0] / x[1])
        rise = math.log((x[3] - x[4]) / (x[2] - x[4]))
        return rise / fall * (x[0] - x[1]) if fall else 0.0, x[0] - x[1]

    values = (before, after, before_brix, after_brix, zero)
    zero_std = zero_std_of(zero_std_brix)
    return split_losses(losses, values, (volume_std, volume_std, reading_std, reading_std, zero_std))


def _volumes(volume_before_l: float, volume_after_l: float) -> tuple[float, float]:
    before = positive("volume_before_l", volume_before_l, 1e7, "L")
    after = positive("volume_after_l", volume_after_l, 1e7, "L")
    if after >= before:
        raise OutOfRange(
            "volume_after_l", after, f"below the volume before, {before:g} L", "nothing was lost"
        )
    return before, after


def _rise(before_brix: float, after_brix: float) -> float:
    after = positive("after_brix", after_brix, 90.0, "°Brix", "less its zero on water")
    return math.log(after / positive("before_brix", before_brix, 90.0, "°Brix", "less its zero on water"))
