"""A tally: what has come in since ever, or since something was done to the plant.

What was done may be told days later, so the tally keeps a mark a day and can begin anew at a time gone by.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from monitor.condition.derive.kind import Value
from monitor.frozen import replace
from monitor.readings import Bound, OperatorAction, Reading, Reason

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
_MARKS = 32
# A larger part of the time without a trustworthy value than this makes the sum uncertain.
_MISSED_PART = 0.05


@dataclass(frozen=True, slots=True)
class Tally:
    """A sum, and where it began."""

    total: float = 0.0  # of all that was counted
    zero: float = 0.0  # the total at the event
    since_ms: int = 0  # time of that event; 0 while none was told
    partial: bool = False  # the event lies before the first count
    last_ms: int = 0
    last: float = 0.0  # the value that holds from then on
    known_ms: int = 0
    missed_ms: int = 0
    marks: tuple[tuple[int, float], ...] = ()  # time and total, one a day

    version = 1


def stepped(tally: Tally, time_ms: int, value: float, added: float, known_ms: int) -> Tally:
    """The tally at a later reading: what came since the last one, and how much of that time is known."""
    if not tally.last_ms or time_ms <= tally.last_ms:
        # The first one, or a clock that was set back: nothing can have come.
        marks = tuple(mark for mark in tally.marks if mark[0] < time_ms) or ((time_ms, tally.total),)
        return replace(tally, last_ms=time_ms, last=value, marks=marks)
    marks = tally.marks
    if time_ms // DAY_MS != tally.last_ms // DAY_MS:
        marks = (*marks, (tally.last_ms, tally.total))[-_MARKS:]
    return replace(
        tally,
        total=tally.total + added,
        last_ms=time_ms,
        last=value,
        known_ms=tally.known_ms + known_ms,
        missed_ms=tally.missed_ms + time_ms - tally.last_ms - known_ms,
        marks=marks,
    )


def begun_anew(tally: Tally, event: OperatorAction) -> Tally:
    """The tally after the event it begins anew with. The latest in time counts, whenever it is told."""
    at_ms = min(event.time_ms, tally.last_ms) if tally.last_ms else event.time_ms
    if at_ms <= tally.since_ms:
        return tally
    points = (*tally.marks, (tally.last_ms, tally.total)) if tally.last_ms else ()
    before = bisect_right(points, (at_ms, float("inf")))
    if points and before == 0:
        return replace(tally, zero=points[0][1], since_ms=at_ms, partial=True, known_ms=0, missed_ms=0)
    zero = tally.total
    if before and before < len(points):
        (early_ms, early), (late_ms, late) = points[before - 1], points[before]
        zero = early + (late - early) * (at_ms - early_ms) / (late_ms - early_ms)
    return replace(tally, zero=zero, since_ms=at_ms, partial=False, known_ms=0, missed_ms=0)


def resumed(last: Reading, counted: Reading | None) -> Tally:
    """A tally that goes on from its last stored value, and the last reading of what it counts. An event told
    from now on may lie before it: then it is only partly known."""
    tally = Tally(total=last.value, since_ms=0 if last.bound == Bound.AT_LEAST else 1)
    if counted is None:
        return tally
    at_ms = counted.time_ms
    return replace(tally, last_ms=at_ms, last=counted.value, marks=((at_ms, last.value),))


def of_tally(tally: Tally, *, awaits_event: bool) -> Value:
    """The value: at least so much, while the event it counts from is not known or lies before the count."""
    value = tally.total - tally.zero
    at_least = tally.partial or (awaits_event and not tally.since_ms)
    missed = tally.missed_ms > _MISSED_PART * (tally.known_ms + tally.missed_ms)
    doubt = Reason.INPUT_UNCERTAIN if at_least or missed else Reason.NONE
    return Value(value, doubt, Bound.AT_LEAST if at_least else Bound.EXACT)
