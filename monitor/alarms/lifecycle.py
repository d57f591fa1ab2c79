"""From Findings and acknowledgements to the states of an alarm.

The states and their names are those of IEC 62682 / ISA-18.2: a condition that holds longer than its
on-delay becomes an unacknowledged alarm; acknowledged or not, it returns when the condition has been gone
for its off-delay. All delays run in the time of the Findings, never in that of the machine, so a backlog
judged at once gives the same alarms as it would have given live. docs/alarms.md has it all as one table.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.alarms.alarm import (
    ACTIVE,
    IN_ALARM,
    LATCHED,
    Alarm,
    Outcome,
    Treatment,
    go,
    is_higher,
    with_finding,
)
from monitor.frozen import replace
from monitor.readings import AlarmState, Finding, OperatorAction

# So often within an hour, or within four times its delays where that is longer (shorter it could not be): it
# chatters. EEMUA 191 and ISA-18.2 speak of three times a minute, for an operator at a console (from memory);
# for a person who gets mail the hour is our own convention. It is calm again after a day without a change.
_CHATTERS = 3
_HOUR_MS = 3_600_000
_DELAYS = 4
_CALM_MS = 24 * _HOUR_MS

__all__ = ["Alarm", "Treatment", "find", "on_acknowledge", "on_finding", "on_reset", "uncovered"]

_ACKNOWLEDGED = {
    AlarmState.UNACKNOWLEDGED: AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED: AlarmState.NORMAL,
    AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
}
_OVER = {
    AlarmState.UNACKNOWLEDGED: AlarmState.RETURNED,
    AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.RETURNED,
    AlarmState.ACKNOWLEDGED: AlarmState.NORMAL,
    AlarmState.LATCHED_ACKNOWLEDGED: AlarmState.NORMAL,
}
_OVER_LATCHED = {
    AlarmState.UNACKNOWLEDGED: AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
}


def on_finding(alarm: Alarm, finding: Finding, treatment: Treatment) -> Outcome:
    """The alarm after a Finding, the transition it made, if any, and whether people are to be told."""
    if finding.holds != alarm.holds or alarm.changed_ms == 0:
        alarm = replace(alarm, holds=finding.holds, changed_ms=finding.time_ms)
    elif finding.time_ms < alarm.changed_ms:
        # The clock was set back: a delay counted from a time to come would wait for it.
        alarm = replace(alarm, changed_ms=finding.time_ms)
    lasted_ms = finding.time_ms - alarm.changed_ms
    if alarm.chattering:
        return _chattering(alarm, finding, treatment, lasted_ms)
    active = alarm.state in ACTIVE
    if finding.holds:
        if active:
            return _worse(alarm, finding)
        if lasted_ms >= treatment.on_delay_ms:
            return _raise(alarm, finding, treatment)
    elif active and lasted_ms >= treatment.off_delay_ms:
        return _return(alarm, finding, treatment)
    return alarm, None, False


def on_acknowledge(alarm: Alarm, condition: str, action: OperatorAction) -> Outcome:
    """The alarm after a person acknowledged it; nothing happens to one that needs no acknowledgement."""
    state = _ACKNOWLEDGED.get(alarm.state)
    if state is None:
        return alarm, None, False
    return go(alarm, condition, state, "acknowledged", action.time_ms, by=action.by, comment=action.comment)


def on_reset(alarm: Alarm, condition: str, action: OperatorAction) -> Outcome:
    """The alarm after a person reset it: only a latched one, acknowledged, whose condition is gone."""
    if alarm.state is not AlarmState.LATCHED_ACKNOWLEDGED or alarm.holds:
        return alarm, None, False
    alarm = replace(alarm, chattering=False, raises=())
    state = AlarmState.NORMAL
    return go(alarm, condition, state, "reset", action.time_ms, by=action.by, comment=action.comment)


def find(alarms: Mapping[str, Alarm], target: str) -> str | None:
    """The condition that `condition` or `condition#occurrence` names, if it is the present occurrence."""
    condition, _, occurrence = target.partition("#")
    alarm = alarms.get(condition)
    if alarm is None or (occurrence and occurrence != str(alarm.occurrence)):
        return None
    return condition


def _raise(alarm: Alarm, finding: Finding, treatment: Treatment) -> Outcome:
    # Returned but never acknowledged, or latched, and here again: the same occurrence goes on.
    again = alarm.state is not AlarmState.NORMAL
    within_ms = max(_HOUR_MS, _DELAYS * (treatment.on_delay_ms + treatment.off_delay_ms))
    lately = [t for t in alarm.raises if 0 <= finding.time_ms - t < within_ms]
    chatters = len(lately) + 1 >= _CHATTERS
    alarm = replace(
        alarm,
        occurrence=alarm.occurrence if again else alarm.occurrence + 1,
        step=alarm.step if again else 0,
        since_ms=finding.since_ms,
        priority=finding.priority or treatment.priority,
        rule_kind=treatment.rule_kind,
        subject=finding.subject,
        confidence=finding.confidence,
        evidence=finding.evidence,
        grade=finding.grade,
        raises=() if chatters else (*lately, finding.time_ms),
        chattering=chatters,
        rests_on=tuple(sorted(treatment.rests_on)) if finding.rests_on is None else finding.rests_on,
        distrusts=finding.distrusts,
        matter=finding.matter,
        speaks_for=finding.speaks_for,
    )
    if alarm.silence is not None and not again:
        alarm = replace(alarm, hidden_from=AlarmState.NORMAL)
    alarm = _pierced(alarm)
    tell = alarm.silence is None
    if chatters:
        told = {**finding.evidence, "raised_times": len(lately) + 1, "raised_within_ms": within_ms}
        alarm, state = replace(alarm, evidence=told), AlarmState.LATCHED_UNACKNOWLEDGED
        return go(alarm, finding.condition, state, "chattering", finding.time_ms, tell=tell)
    return go(alarm, finding.condition, AlarmState.UNACKNOWLEDGED, "raised", finding.time_ms, tell=tell)


def _return(alarm: Alarm, finding: Finding, treatment: Treatment) -> Outcome:
    alarm = with_finding(alarm, finding)
    if alarm.shelf is not None and alarm.shelf.once:
        alarm = replace(alarm, shelf=None)
    state = (_OVER_LATCHED if treatment.latched else _OVER)[alarm.state]
    tell = alarm.silence is None
    if tell and alarm.hidden_from is not None:
        state, tell = uncovered(replace(alarm, state=state))
        alarm = replace(alarm, hidden_from=None)
    return go(alarm, finding.condition, state, "returned", finding.time_ms, tell=tell)


def uncovered(alarm: Alarm) -> tuple[AlarmState, bool]:
    """What an alarm is when nothing keeps it back any more, and whether people are to be told.

    Its condition is there: it is unacknowledged, whoever acknowledged it before. It is not: people who knew
    of it as standing are told, and what nobody was told of is owed no acknowledgement.
    """
    if alarm.chattering:
        return AlarmState.LATCHED_UNACKNOWLEDGED, True
    if alarm.state in ACTIVE:
        return AlarmState.UNACKNOWLEDGED, True
    if alarm.state is AlarmState.RETURNED and alarm.hidden_from is AlarmState.NORMAL:
        return AlarmState.NORMAL, False
    return alarm.state, alarm.state in LATCHED or alarm.hidden_from in IN_ALARM


def _worse(alarm: Alarm, finding: Finding) -> Outcome:
    """A condition that stands and got materially worse speaks again, and is to be acknowledged again."""
    risen = finding.priority is not None and is_higher(finding.priority, alarm.priority)
    if not risen and finding.grade <= alarm.grade:
        return alarm, None, False
    alarm = replace(with_finding(alarm, finding), grade=max(finding.grade, alarm.grade))
    if risen and finding.priority is not None:
        alarm = _pierced(replace(alarm, priority=finding.priority))
    state = AlarmState.LATCHED_UNACKNOWLEDGED if alarm.chattering else AlarmState.UNACKNOWLEDGED
    return go(alarm, finding.condition, state, "worse", finding.time_ms, tell=alarm.silence is None)


def _pierced(alarm: Alarm) -> Alarm:
    """A shelf hides what it was put up for: an alarm of a higher priority was not what was shelved."""
    if alarm.shelf is None or not is_higher(alarm.priority, alarm.shelf.covers):
        return alarm
    alarm = replace(alarm, shelf=None)
    return alarm if alarm.silence is not None else replace(alarm, hidden_from=None)


def _chattering(alarm: Alarm, finding: Finding, treatment: Treatment, lasted_ms: int) -> Outcome:
    """Latched for as long as it chatters: what the condition says at the moment changes nothing."""
    within_ms = max(_CALM_MS, _DELAYS * (treatment.on_delay_ms + treatment.off_delay_ms))
    if finding.holds:
        alarm, transition, tell = _worse(alarm, finding)
        if transition is not None or lasted_ms < within_ms:
            return alarm, transition, tell
        alarm = replace(with_finding(alarm, finding), chattering=False)
        state, tell = AlarmState.UNACKNOWLEDGED, alarm.silence is None
        return go(alarm, finding.condition, state, "raised", finding.time_ms, tell=tell)
    if lasted_ms < within_ms:
        return alarm, None, False
    return _return(replace(alarm, chattering=False), finding, treatment)
