"""What a sump lost over a period with additions between its two readings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

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

__all__ = ["period_evaporated_l", "period_mixture_lost_l", "split_period"]

LostAt = Literal["mean", "start", "end"]


def period_mixture_lost_l(
    volume_before_l: float,
    before_pct: float,
    volume_after_l: float,
    after_pct: float,
    added_l: float,
    added_pct: float,
    lost_at: LostAt = "mean",
) -> float:
    """Litres that left as mixture over a period with additions.

    Equation: D = (c0 V0 + c_m M - c1 V1) / c, c the strength at which mixture was lost: the mean of c0
        and c1, or the start's, or the end's
    Range: volumes above 0 L, added from 0 L, strengths above 0 (added from 0) to 100 %
    Raises: OutOfRange
    Source: balance of the concentrate
    Assumes: strength between the two readings; nothing else added
    Not for: a verdict: see `split_period`; a part lost stronger or leaner than the mean biases it
    Example:
        >>> round(period_mixture_lost_l(300, 6.0, 290, 6.6, 60, 2.0), 2)
        0.95
    """
    strengths = _strengths(before_pct, after_pct)
    added = within("added_l", added_l, 0.0, unit="L")
    brought = within("added_pct", added_pct, 0.0, 100.0, "%") * added
    start = positive("volume_before_l", volume_before_l, unit="L") * strengths[0]
    end = positive("volume_after_l", volume_after_l, unit="L") * strengths[1]
    return (start + brought - end) / _lost_strength(*strengths, lost_at)


def period_evaporated_l(
    volume_before_l: float,
    before_pct: float,
    volume_after_l: float,
    after_pct: float,
    added_l: float,
    added_pct: float,
    lost_at: LostAt = "mean",
) -> float:
    """Litres that evaporated over a period with additions.

    Equation: E = V0 + M - V1 - D, D as in `period_mixture_lost_l`
    Range: as `period_mixture_lost_l`
    Raises: OutOfRange
    Source: balance of volume and concentrate
    Assumes: as `period_mixture_lost_l`
    Not for: a verdict: see `split_period`
    Example:
        >>> round(period_evaporated_l(300, 6.0, 290, 6.6, 60, 2.0), 2)
        69.05
    """
    lost = period_mixture_lost_l(
        volume_before_l, before_pct, volume_after_l, after_pct, added_l, added_pct, lost_at
    )
    return volume_before_l + added_l - volume_after_l - lost


def split_period(
    volume_before_l: float,
    before_brix: float,
    volume_after_l: float,
    after_brix: float,
    added_l: float,
    added_brix: float,
    instrument: Instrument = "optical",
    reading_std_brix: float | None = None,
    level_std_l: float = LEVEL_STD_L,
    holdup_std_l: float = HOLDUP_STD_L,
    added_std_l: float = 1.0,
    zero_brix: float = 0.0,
    zero_std_brix: float = ZERO_STD_BRIX,
) -> LossSplit:
    """Split what a sump lost over a period with additions, with 90 % intervals and a verdict.

    Equation: D and E as `period_evaporated_l` at the mean strength; intervals as `split_level_drop`
    Range: as `period_mixture_lost_l`, strengths in Brix; a loss above 0 L
    Raises: OutOfRange
    Source: balance of volume and concentrate; Fieller 1954 (from memory)
    Assumes: as `split_level_drop`; all additions together, at their mean strength
    Not for: a period in which coolant was drawn off or the sump was cleaned
    Example:
        >>> split = split_period(300, 6.0, 290, 6.6, 60, 2.0, instrument="digital")
        >>> split.verdict, round(split.evaporated_l)
        ('evaporation', 69)
    """
    zero = within("zero_brix", zero_brix, -5.0, 5.0, "°Brix")
    readings = (before_brix - zero, after_brix - zero, added_brix - zero)
    reading_std = reading_std_of(instrument, reading_std_brix)
    volume_std = volume_std_of(level_std_l, holdup_std_l)
    added_std = within("added_std_l", added_std_l, 0.0, unit="L")
    total = volume_before_l + added_l - volume_after_l
    positive("volume_before_l + added_l - volume_after_l", total, unit="L", why="nothing was lost")
    period_mixture_lost_l(volume_before_l, readings[0], volume_after_l, readings[1], added_l, readings[2])

    def losses(x: Sequence[float]) -> tuple[float, float]:
        before, after, added, c0, c1, c_added, zero_on_water = x
        gone = before + added - after
        balance = (c0 - zero_on_water) * before + (c_added - zero_on_water) * added
        balance -= (c1 - zero_on_water) * after
        return gone - balance / ((c0 + c1) / 2.0 - zero_on_water), gone

    values = (volume_before_l, volume_after_l, added_l, before_brix, after_brix, added_brix, zero)
    stds = (volume_std, volume_std, added_std, reading_std, reading_std, reading_std)
    return split_losses(losses, values, (*stds, zero_std_of(zero_std_brix)))


def _strengths(before_pct: float, after_pct: float) -> tuple[float, float]:
    return positive("before_pct", before_pct, 100.0, "%"), positive("after_pct", after_pct, 100.0, "%")


def _lost_strength(before_pct: float, after_pct: float, lost_at: LostAt) -> float:
    if lost_at == "mean":
        return (before_pct + after_pct) / 2.0
    if lost_at == "start":
        return before_pct
    if lost_at == "end":
        return after_pct
    raise OutOfRange("lost_at", lost_at, "mean, start or end")
