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
_STANDS = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
)
_BY_PEOPLE = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
_IN_WORDS = {
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "latched, not acknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "latched, acknowledged",
    AlarmState.SUPPRESSED: "suppressed by design",
    AlarmState.OUT_OF_SERVICE: "out of service",
}


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
        standing=tuple(_line(t, first_line) for t in at_end if t.state in _STANDS),
        shelved=tuple(_line(t, first_line) for t in at_end if _is_kept_back(t)),
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


def _is_kept_back(t: Transition) -> bool:
    """Kept back by a person; or by design, while it would stand otherwise."""
    return t.state in _BY_PEOPLE or (t.state is AlarmState.SUPPRESSED and t.beneath in _STANDS)


def _chattering(now: Sequence[Transition], first_line: FirstLine) -> tuple[tuple[str, str, int], ...]:
    """Those the watch itself called so, and those that were raised so often within a day."""
    times: dict[str, list[Transition]] = {}
    for t in now:
        if t.cause in ("raised", "chattering"):
            times.setdefault(t.condition, []).append(t)
    return tuple(
        (condition, first_line(told[-1]), sum(t.cause == "raised" for t in told))
        for condition, told in times.items()
        if any(t.cause == "chattering" for t in told)
        or any(
            last.time_ms - first.time_ms <= _WITHIN_MS
            for first, last in zip(told, told[_CHATTERS - 1 :], strict=False)
        )
    )


def _line(t: Transition, first_line: FirstLine) -> AlarmLine:
    state = _IN_WORDS.get(t.state, t.state.value)
    if t.silence is not None:
        state += f": {t.silence.why}" if t.silence.why else ""
    elif t.by and t.state is AlarmState.ACKNOWLEDGED:
        state += f" by {t.by}"
    return AlarmLine(f"{t.condition}#{t.occurrence}", first_line(t), t.priority, t.since_ms, state)
