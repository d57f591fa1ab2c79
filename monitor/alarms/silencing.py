"""What keeps an alarm back: shelved by a person, suppressed by design, out of service.

While it is kept back an alarm goes on beneath, each transition is stored, and nobody is told. The three are
independent of each other, as in OPC UA Part 9; only when none is left does the alarm speak again.
"""

from __future__ import annotations

from typing import Any

from monitor.alarms.alarm import Alarm, Outcome, go
from monitor.alarms.lifecycle import uncovered
from monitor.frozen import replace
from monitor.readings import Cause, OperatorAction, Silence

_DAY_MS = 86_400_000
# No shelf and no maintenance lasts longer (MaxTimeShelved of OPC UA Part 9; the days are our own convention):
# whoever forgets one is deaf for so long at most.
LONGEST_SHELF_MS = 7 * _DAY_MS
LONGEST_SERVICE_MS = 90 * _DAY_MS


def ended(silence: Silence, time_ms: int, longest_ms: int) -> bool:
    """Whether a shelf or a maintenance is over; one of which a clock that is set back would make more than
    may be is too."""
    return time_ms >= silence.until_ms or silence.until_ms - time_ms > longest_ms + _DAY_MS


def asked(action: OperatorAction, longest_ms: int) -> Silence | None:
    """The shelf or maintenance a person asks for; None when it would be over before it began."""
    until_ms = min(action.until_ms, action.time_ms + longest_ms)
    if until_ms <= action.time_ms:
        return None
    return Silence(action.by, action.comment, action.time_ms, until_ms, action.once)


def shelve(alarm: Alarm, condition: str, action: OperatorAction) -> Outcome:
    """The alarm shelved, or shelved anew; nothing happens without an end to it."""
    shelf = asked(action, LONGEST_SHELF_MS)
    if shelf is None:
        return alarm, None, False
    shelf = replace(shelf, covers=alarm.priority)
    return kept(alarm, condition, "shelved", action.time_ms, action.by, action.comment, shelf=shelf)


def unshelve(alarm: Alarm, condition: str, time_ms: int, by: str = "", comment: str = "") -> Outcome:
    """The alarm taken from its shelf, by a person or because its time is over."""
    if alarm.shelf is None:
        return alarm, None, False
    return kept(alarm, condition, "unshelved", time_ms, by, comment, shelf=None)


def kept(
    alarm: Alarm, condition: str, cause: Cause, time_ms: int, by: str = "", comment: str = "", **silences: Any
) -> Outcome:
    """The alarm with `shelf`, `suppression` or `service` put in force or taken away."""
    was_kept_back = alarm.silence is not None
    alarm = replace(alarm, **silences)
    state, tell = alarm.state, False
    if not was_kept_back and alarm.silence is not None:
        alarm = replace(alarm, hidden_from=state)
    elif was_kept_back and alarm.silence is None:
        state, tell = uncovered(alarm)
        alarm = replace(alarm, hidden_from=None)
    return go(alarm, condition, state, cause, time_ms, by=by, comment=comment, tell=tell)
