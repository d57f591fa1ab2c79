"""Tests of single readings and short stretches in the sense of QARTOD (IOOS Water Level manual v2.1, 2021).

The manual's thresholds are for tides: the rules transfer, the numbers do not. A missing reading is None or
NaN and flagged 9. Missing and not evaluated are kept apart from good; no aggregate hides them. Where the
common library of these tests does otherwise, the docstring says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import IntEnum
from typing import Literal

import numpy as np

from monitor.stats.errors import Floats, OutOfRange, positive, series, whole, within

__all__ = [
    "Flag",
    "attenuated_flags",
    "flat_line_count_flags",
    "flat_line_flags",
    "gap_flag",
    "gross_range_flag",
    "gross_range_flags",
    "neighbour_flag",
    "rate_flag",
    "rate_flags",
    "spike_flag",
    "spike_flags",
]

Span = tuple[float, float]
Series = Sequence[float | None]


class Flag(IntEnum):
    """QARTOD's primary flags."""

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


def gap_flag(age_s: float, limit_s: float) -> Flag:
    """Test 1: whether the newest reading has come in time.

    Equation: age > limit: missing
    Range: age from 0 s, limit above 0 s
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 1
    Not for: a reading that is late but carries its own time
    Example:
        >>> gap_flag(3700, 3600)
        <Flag.MISSING: 9>
    """
    return Flag.MISSING if within("age_s", age_s, 0.0) > positive("limit_s", limit_s) else Flag.GOOD


def gross_range_flag(x: float | None, fail_span: Span, suspect_span: Span | None = None) -> Flag:
    """Test 4: whether a reading lies within the sensor's span, and within the user's.

    Equation: outside the sensor's span fail, outside the user's suspect; limits are good
    Range: low end below high end; the user's span inside the sensor's
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 4
    Not for: hiding: over-range in the dangerous direction is evidence, not nothing
    Example:
        >>> gross_range_flag(55, (0, 100), (5, 50))
        <Flag.SUSPECT: 3>
    """
    low, high = _span("fail_span", fail_span)
    if suspect_span is not None:
        user_low, user_high = _span("suspect_span", suspect_span)
        if user_low < low or user_high > high:
            raise OutOfRange("suspect_span", suspect_span, f"inside the fail span, {fail_span}")
    if (present := _present(x)) is None:
        return Flag.MISSING
    value = within("x", present)
    if not low <= value <= high:
        return Flag.FAIL
    if suspect_span is not None and not user_low <= value <= user_high:
        return Flag.SUSPECT
    return Flag.GOOD


def gross_range_flags(x: Series, fail_span: Span, suspect_span: Span | None = None) -> list[Flag]:
    """`gross_range_flag` of each reading.

    Equation: as there
    Range: as there
    Raises: OutOfRange
    Source: as there
    Not for: as `gross_range_flag`
    Example:
        >>> [int(flag) for flag in gross_range_flags([12, None, 101], (0, 100))]
        [1, 9, 4]
    """
    return [gross_range_flag(value, fail_span, suspect_span) for value in x]


def spike_flag(
    before: float | None,
    x: float | None,
    after: float | None,
    suspect: float | None,
    fail: float | None,
    method: Literal["average", "differential"] = "average",
) -> Flag:
    """Test 6: whether a reading stands out from its two neighbours.

    Equation: average: |x - (before + after)/2|; differential: min(|x - before|, |after - x|) if the two
        differences have opposite signs, else 0; above `suspect`, above `fail`
    Range: thresholds above 0 or None; without both neighbours not evaluated
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 6; the differential form is the common library's
    Assumes: average also flags the good neighbours of a spike, differential does not
    Not for: a step, which average also flags; the last reading, whose next has not come
    Example:
        >>> spike_flag(1.0, 1.25, 1.0, 0.1, 0.2)
        <Flag.FAIL: 4>
    """
    if method not in ("average", "differential"):
        raise OutOfRange("method", method, "average or differential")
    if (value := _present(x)) is None:
        return Flag.MISSING
    left, right = _present(before), _present(after)
    if left is None or right is None:
        return Flag.NOT_EVALUATED
    first, second = within("x", value) - within("before", left), within("after", right) - value
    if method == "average":
        return _above(abs(value - (left + right) / 2.0), suspect, fail)
    opposite = first * second < 0.0
    return _above(min(abs(first), abs(second)) if opposite else 0.0, suspect, fail)


def spike_flags(
    x: Series,
    suspect: float | None,
    fail: float | None,
    method: Literal["average", "differential"] = "average",
) -> list[Flag]:
    """`spike_flag` of each reading; the first and the last are not evaluated.

    Equation: as there
    Range: as there
    Raises: OutOfRange
    Source: as there
    Not for: as `spike_flag`
    Example:
        >>> [int(flag) for flag in spike_flags([1, 1, 1.25, 1, 1], 0.1, 0.2)]
        [2, 3, 4, 3, 2]
    """
    rows = zip([None, *x], x, [*x[1:], None], strict=False)
    return [spike_flag(before, value, after, suspect, fail, method) for before, value, after in rows]


def rate_flag(
    before: float | None,
    x: float | None,
    elapsed_s: float,
    suspect_per_s: float,
    fail_per_s: float | None = None,
) -> Flag:
    """Test 7: whether a reading has moved faster than it may.

    Equation: |x - before| / elapsed > threshold
    Range: elapsed above 0 s, thresholds above 0 per second. A reading with none before it is good
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 7
    Assumes: the jump and the return are both flagged
    Not for: a spike or a step: it cannot tell them apart
    Example:
        >>> rate_flag(2.0, 10.0, 900, 4 / 900)
        <Flag.SUSPECT: 3>
    """
    if (value := _present(x)) is None:
        return Flag.MISSING
    elapsed = positive("elapsed_s", elapsed_s)
    if (last := _present(before)) is None:
        return Flag.GOOD
    return _above(abs(within("x", value) - within("before", last)) / elapsed, suspect_per_s, fail_per_s)


def rate_flags(
    x: Series, times_s: Sequence[float], suspect_per_s: float, fail_per_s: float | None = None
) -> list[Flag]:
    """`rate_flag` of each reading by its time.

    Equation: as there
    Range: as there; times rising
    Raises: OutOfRange
    Source: as there
    Not for: as `rate_flag`
    Example:
        >>> [int(flag) for flag in rate_flags([2, 10, 10.5], [0, 900, 1800], 4 / 900)]
        [1, 3, 1]
    """
    times = series("times_s", times_s)
    if times.size != len(x):
        raise OutOfRange("times_s", f"{times.size} times", f"as many as readings, {len(x)}")
    elapsed = [1.0, *np.diff(times).tolist()]
    return [
        rate_flag(before, value, gap, suspect_per_s, fail_per_s)
        for before, value, gap in zip([None, *x], x, elapsed, strict=False)
    ]


def flat_line_flags(
    x: Series, interval_s: float, suspect_s: float, fail_s: float, tolerance: float
) -> list[Flag]:
    """Test 8, the common library's form: whether the reading has stood still for so many seconds.

    Equation: range of the last count + 1 readings < tolerance, count = floor(seconds / interval); at
        tolerance 0 a range of 0 flags (in that library it never does)
    Range: interval above 0 s, durations at least one interval, tolerance from 0
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 8
    Assumes: evenly spaced readings; missing ones are passed over
    Not for: choosing the durations: see `flat_run_limit`
    Example:
        >>> [int(flag) for flag in flat_line_flags([5, 5, 5, 5, 5, 5], 60, 180, 300, 0.001)]
        [1, 1, 1, 3, 3, 4]
    """
    step = positive("interval_s", interval_s)
    limit = within("tolerance", tolerance, 0.0)
    values = _with_nan(x)
    flags = [Flag.MISSING if np.isnan(value) else Flag.GOOD for value in values]
    for name, seconds, flag in (("suspect_s", suspect_s, Flag.SUSPECT), ("fail_s", fail_s, Flag.FAIL)):
        count = int(within(name, seconds, step) / step)
        for i in range(count, len(flags)):
            window = values[i - count : i + 1]
            window = window[~np.isnan(window)]
            moved = float(np.ptp(window)) if window.size else np.inf
            if flags[i] != Flag.MISSING and (moved < limit or moved == limit == 0.0):
                flags[i] = flag
    return flags


def flat_line_count_flags(
    x: Series, epsilon: float, suspect_count: int, fail_count: int, present_included: bool = True
) -> list[Flag]:
    """Test 8, the manual's form: whether the last so many readings are equal.

    Equation: |x_n - x_(n-i)| <= epsilon for each of the last `count` readings, the present one among them
        (the manual's text) or not (its code line, one more reading)
    Range: epsilon from 0; counts from 2, fail at least suspect
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 8
    Assumes: a missing reading ends the run
    Not for: choosing the counts: see `flat_run_limit`
    Example:
        >>> [int(flag) for flag in flat_line_count_flags([2.0, 2.0, 2.0, 2.1], 0.001, 3, 5)]
        [1, 1, 3, 1]
    """
    near = within("epsilon", epsilon, 0.0)
    suspect = whole("suspect_count", suspect_count, 2)
    fail = whole("fail_count", fail_count, suspect)
    extra = 0 if present_included else 1
    values = _with_nan(x)
    flags = []
    for i, value in enumerate(values):
        back = i
        while back >= 0 and abs(value - values[back]) <= near:
            back -= 1
        run = i - back - extra
        flags.append(
            Flag.MISSING if np.isnan(value)
            else Flag.FAIL if run >= fail else Flag.SUSPECT if run >= suspect else Flag.GOOD
        )  # fmt: skip
    return flags


def attenuated_flags(
    x: Series, suspect: float, fail: float, check: Literal["std", "range"] = "std"
) -> list[Flag]:
    """Test 9: whether a whole stretch moves less than it should.

    Equation: population standard deviation, or range, < suspect, < fail; one verdict for the stretch
    Range: thresholds from 0, fail at most suspect; at least two readings present, else not evaluated
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 9
    Not for: a calm tank, which is legitimately still
    Example:
        >>> [int(flag) for flag in attenuated_flags([1, 1.02, 1.01], 0.05, 0.005)]
        [3, 3, 3]
    """
    high = within("suspect", suspect, 0.0)
    low = within("fail", fail, 0.0, high)
    if check not in ("std", "range"):
        raise OutOfRange("check", check, "std or range")
    values = _with_nan(x)
    present = values[~np.isnan(values)]
    verdict = Flag.NOT_EVALUATED
    if present.size >= 2:
        moved = float(np.std(present) if check == "std" else np.ptp(present))
        verdict = Flag.FAIL if moved < low else Flag.SUSPECT if moved < high else Flag.GOOD
    return [Flag.MISSING if np.isnan(value) else verdict for value in values]


def neighbour_flag(x: float | None, other: float | None, suspect: float, fail: float) -> Flag:
    """Test 11: whether two sensors at one place agree.

    Equation: |x - other| > suspect, > fail; not evaluated when the other is missing
    Range: thresholds above 0
    Raises: OutOfRange
    Source: QARTOD Water Level manual, Test 11
    Assumes: flags the pair: which of the two is wrong it cannot say
    Not for: sensors on two sides of something that changes the water
    Example:
        >>> neighbour_flag(1.00, 1.04, 0.03, 0.05)
        <Flag.SUSPECT: 3>
    """
    if (value := _present(x)) is None:
        return Flag.MISSING
    if (second := _present(other)) is None:
        return Flag.NOT_EVALUATED
    return _above(abs(within("x", value) - within("other", second)), suspect, fail)


def _above(size: float, suspect: float | None, fail: float | None) -> Flag:
    if fail is not None and size > positive("fail threshold", fail):
        return Flag.FAIL
    if suspect is not None and size > positive("suspect threshold", suspect):
        return Flag.SUSPECT
    return Flag.GOOD


def _present(x: float | None) -> float | None:
    """None for a missing reading, whether it came as None or as NaN."""
    return None if x is None or math.isnan(x) else x


def _span(name: str, span: Span) -> Span:
    low, high = (within(name, end) for end in span)
    if low >= high:
        raise OutOfRange(name, span, "low end below high end")
    return low, high


def _with_nan(x: Series) -> Floats:
    return np.array([np.nan if value is None else value for value in x], dtype=float)
