"""What a 4 to 20 mA signal says about itself (NAMUR NE 43), and the value it stands for.

The bands were read on several public pages, not in the recommendation itself; sources differ on < or <= at
the limits. Here a limit belongs to the worse side at 3.6 and 21 mA, to the better side at 3.8 and 20.5 mA.
"""

from __future__ import annotations

from typing import Literal

from monitor.stats.errors import OutOfRange, positive, within

__all__ = ["current_to_value", "fault_standing", "fault_time_s", "ne43_class"]

Ne43 = Literal["fail_low", "undefined_band", "underrange", "ok", "overrange", "fail_high"]


def ne43_class(current_ma: float) -> Ne43:
    """Class of a loop current.

    Equation: fail_low <= 3.6; undefined_band 3.6-3.8; underrange 3.8-4; ok 4-20; overrange 20-20.5;
        undefined_band 20.5-21; fail_high >= 21 mA
    Range: -100 to 100 mA
    Raises: OutOfRange
    Source: NAMUR NE 43
    Assumes: undefined means neither measured nor declared failed: treat as suspect
    Not for: a transmitter set to other failure currents: see its manual
    Example:
        >>> ne43_class(3.9), ne43_class(3.5)
        ('underrange', 'fail_low')
    """
    current = within("current_ma", current_ma, -100.0, 100.0)
    if current <= 3.6:
        return "fail_low"
    if current >= 21.0:
        return "fail_high"
    if current < 3.8 or current > 20.5:
        return "undefined_band"
    if current < 4.0:
        return "underrange"
    return "ok" if current <= 20.0 else "overrange"


def current_to_value(current_ma: float, lower_range_value: float, upper_range_value: float) -> float:
    """Value a loop current stands for.

    Equation: LRV + (I - 4)/16 (URV - LRV); not clipped
    Range: a current that measures, 3.8 to 20.5 mA; two different range values
    Raises: OutOfRange: a failure current stands for no value
    Source: NAMUR NE 43
    Not for: a current in the failure bands
    Example:
        >>> current_to_value(12.0, 0.0, 600.0)
        300.0
    """
    current = within("current_ma", current_ma, 3.8, 20.5)
    low, high = within("lower_range_value", lower_range_value), within("upper_range_value", upper_range_value)
    if low == high:
        raise OutOfRange("upper_range_value", high, "different from the lower range value")
    return low + (current - 4.0) / 16.0 * (high - low)


def fault_time_s(standing_s: float, current_ma: float, elapsed_s: float) -> float:
    """Seconds for which the current has signalled failure without a break, after one more sample.

    Equation: standing + elapsed while the class is fail_low or fail_high, else 0
    Range: standing from 0 s, elapsed above 0 s
    Raises: OutOfRange
    Source: NAMUR NE 43: a failure must persist (4 s on one public page) to be taken for one
    Not for: undefined currents: they are suspect, not failed
    Example:
        >>> fault_time_s(2.0, 3.4, 1.0), fault_time_s(2.0, 12.0, 1.0)
        (3.0, 0.0)
    """
    standing = within("standing_s", standing_s, 0.0) + positive("elapsed_s", elapsed_s)
    return standing if ne43_class(current_ma).startswith("fail") else 0.0


def fault_standing(currents_ma: list[float], elapsed_s: float, hold_s: float = 4.0) -> list[bool]:
    """Whether a fault stands after each of a row of evenly spaced samples.

    Equation: `fault_time_s` >= hold
    Range: as there; hold above 0 s
    Raises: OutOfRange
    Source: as there
    Not for: live use, which keeps the time of `fault_time_s`
    Example:
        >>> fault_standing([3.4, 3.4, 12.0, 3.4, 3.4], 2.0)
        [False, True, False, False, True]
    """
    hold = positive("hold_s", hold_s)
    standing = 0.0
    return [(standing := fault_time_s(standing, current, elapsed_s)) >= hold for current in currents_ma]
