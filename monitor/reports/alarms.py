"""The alarms' week: how many, how soon somebody took them on, which chatter, which stand."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from statistics import median

from monitor.readings import AlarmState, Transition
from monitor.reports.figures import AlarmLine, AlarmsWeek
from monitor.reports.week import Week
from monitor.store.sums import DAY_MS
from monitor.store.weekly import alarms_at, alarms_within, given_up

FirstLine = Callable[[Transition], str]

# ISA-18.2 and IEC 62682 call an alarm chattering that comes and goes often in a short time and leave the
# figures to the plant; these are ours: so many times within a day.
_CHATTERS, _WITHIN_MS = 3, DAY_MS
_STANDS = ("unacknowledged", "acknowledged", "latched-unacknowledged", "latched-acknowledged")
_KEPT_BACK = ("shelved", "suppressed-by-design", "out-of-service")
_IN_WORDS = {"unacknowledged": "not acknowledged", "latched-unacknowledged": "latched, not acknowledged"}


def alarms(connection: sqlite3.Connection, week: Week, first_line: FirstLine) -> AlarmsWeek:
    """What the stored transitions tell of the week."""
    before_ms = week.earlier().from_ms
    lately = alarms_within(connection, before_ms, week.to_ms)
    now = [t for t in lately if t.time_ms >= week.from_ms]
    minutes = [(t.time_ms - raised_ms) / 60_000 for t, raised_ms in _acknowledged(lately, week.from_ms)]
    at_end = alarms_at(connection, week.to_ms)
    return AlarmsWeek(
        raised=_raised(now),
        raised_before=_raised(t for t in lately if t.time_ms < week.from_ms),
        acknowledged=len(minutes),
        minutes_to_acknowledge=median(minutes) if minutes else None,
        longest_to_acknowledge=max(minutes, default=None),
        never_acknowledged=_never(now),
        chattering=_chattering(now, first_line),
        standing=tuple(_line(t, first_line) for t in at_end if t.state.value in _STANDS),
        shelved=tuple(_line(t, first_line) for t in at_end if t.state.value in _KEPT_BACK),
        given_up=given_up(connection, week.from_ms, week.to_ms),
    )


def _raised(transitions: Iterable[Transition]) -> dict[str, int]:
    return dict(Counter(t.priority for t in transitions if t.cause == "raised"))


def _acknowledged(lately: Sequence[Transition], from_ms: int) -> list[tuple[Transition, int]]:
    """Each acknowledgement since a time, with when its alarm was raised."""
    raised: dict[tuple[str, int], int] = {}
    found = []
    for t in lately:
        alarm = t.condition, t.occurrence
        if t.cause == "raised":
            raised.setdefault(alarm, t.time_ms)
        elif t.cause == "acknowledged" and t.time_ms >= from_ms:
            found.append((t, raised.get(alarm, t.since_ms)))
    return found


def _never(now: Sequence[Transition]) -> int:
    raised = {(t.condition, t.occurrence) for t in now if t.cause == "raised"}
    return len(raised - {(t.condition, t.occurrence) for t in now if t.cause == "acknowledged"})


def _chattering(now: Sequence[Transition], first_line: FirstLine) -> tuple[tuple[str, str, int], ...]:
    times: dict[str, list[Transition]] = {}
    for t in now:
        if t.cause == "raised":
            times.setdefault(t.condition, []).append(t)
    called = {t.condition for t in now if str(t.cause) == "chattering"}
    return tuple(
        (condition, first_line(raised[-1]), len(raised))
        for condition, raised in times.items()
        if condition in called
        or any(
            last.time_ms - first.time_ms <= _WITHIN_MS
            for first, last in zip(raised, raised[_CHATTERS - 1 :], strict=False)
        )
    )


def _line(t: Transition, first_line: FirstLine) -> AlarmLine:
    state = _IN_WORDS.get(t.state.value, t.state.value.replace("-", " "))
    by = f" by {t.by}" if t.by and t.state is AlarmState.ACKNOWLEDGED else ""
    return AlarmLine(f"{t.condition}#{t.occurrence}", first_line(t), t.priority, t.since_ms, f"{state}{by}")
