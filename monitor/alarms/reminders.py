"""Reminders of an alarm that nobody acknowledges: each after twice as long as the one before."""

from __future__ import annotations

from monitor.alarms.alarm import Alarm, Outcome, go
from monitor.plant.alarms import AlarmSettings
from monitor.readings import AlarmState

# The condition is there, or was and is latched, and nobody has said that they know.
_REMINDED = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})


def remind(alarm: Alarm, condition: str, time_ms: int, settings: AlarmSettings) -> Outcome:
    """The alarm after a minute of the clock, with a reminder when one is due."""
    first_ms = settings.remind(alarm.priority)
    if first_ms is None or alarm.state not in _REMINDED or alarm.silence is not None:
        return alarm, None, False
    wait_ms = min(first_ms << min(alarm.reminders, _DOUBLED), max(first_ms, settings.remind_longest))
    if time_ms - max(alarm.told_ms, alarm.since_ms) < wait_ms:
        return alarm, None, False
    return go(alarm, condition, alarm.state, "reminder", time_ms, tell=True)


_DOUBLED = 20  # of a minute that is two years
