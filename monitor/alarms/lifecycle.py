"""From Findings and what people do to the states of an alarm.

The states and their names are those of IEC 62682 / ISA-18.2: a condition that holds longer than its
on-delay becomes an unacknowledged alarm; acknowledged or not, it returns when the condition has been gone
for its off-delay. All delays run in the time of the Findings, never in that of the machine, so a backlog
judged at once gives the same alarms as it would have given live.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.frozen import replace
from monitor.readings import AlarmState, Cause, Evidence, Finding, OperatorAction, Priority, Transition


@dataclass(frozen=True, slots=True)
class Treatment:
    """How the conditions of one rule are to be treated."""

    rule_kind: str
    priority: Priority
    on_delay_ms: int = 0
    off_delay_ms: int = 0


@dataclass(frozen=True, slots=True)
class Alarm:
    """The state of one condition; `occurrence` counts the times it became an alarm."""

    state: AlarmState = AlarmState.NORMAL
    occurrence: int = 0
    step: int = 0
    holds: bool = False  # what the last Finding said
    changed_ms: int = 0  # since when it says so
    since_ms: int = 0  # since when the condition held, of the present occurrence
    priority: Priority = "medium"
    rule_kind: str = ""
    subject: str = ""
    confidence: float = 0.0
    evidence: Evidence = field(default_factory=dict)

    version = 1


def on_finding(alarm: Alarm, finding: Finding, treatment: Treatment) -> tuple[Alarm, Transition | None]:
    """The alarm after a Finding, and the transition it made, if any."""
    if finding.holds != alarm.holds or alarm.changed_ms == 0:
        alarm = replace(alarm, holds=finding.holds, changed_ms=finding.time_ms)
    elif finding.time_ms < alarm.changed_ms:
        # The clock was set back: a delay counted from a time to come would wait for it.
        alarm = replace(alarm, changed_ms=finding.time_ms)
    lasted_ms = finding.time_ms - alarm.changed_ms
    active = alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    if finding.holds and not active and lasted_ms >= treatment.on_delay_ms:
        return _raise(alarm, finding, treatment)
    if not finding.holds and active and lasted_ms >= treatment.off_delay_ms:
        state = AlarmState.RETURNED if alarm.state == AlarmState.UNACKNOWLEDGED else AlarmState.NORMAL
        alarm = replace(alarm, confidence=finding.confidence, evidence=finding.evidence)
        return _go(alarm, finding.condition, state, "returned", finding.time_ms)
    return alarm, None


def on_acknowledge(alarm: Alarm, condition: str, action: OperatorAction) -> tuple[Alarm, Transition | None]:
    """The alarm after a person acknowledged it; nothing happens to one that needs no acknowledgement."""
    if alarm.state == AlarmState.UNACKNOWLEDGED:
        state = AlarmState.ACKNOWLEDGED
    elif alarm.state == AlarmState.RETURNED:
        state = AlarmState.NORMAL
    else:
        return alarm, None
    return _go(alarm, condition, state, "acknowledged", action.time_ms, action.by, action.comment)


def find(alarms: Mapping[str, Alarm], target: str) -> str | None:
    """The condition that `condition` or `condition#occurrence` names, if it is the present occurrence."""
    condition, _, occurrence = target.partition("#")
    alarm = alarms.get(condition)
    if alarm is None or (occurrence and occurrence != str(alarm.occurrence)):
        return None
    return condition


def _raise(alarm: Alarm, finding: Finding, treatment: Treatment) -> tuple[Alarm, Transition]:
    # Returned but never acknowledged, and here again: the same occurrence goes on.
    again = alarm.state == AlarmState.RETURNED
    alarm = replace(
        alarm,
        occurrence=alarm.occurrence if again else alarm.occurrence + 1,
        step=alarm.step if again else 0,
        since_ms=finding.since_ms,
        priority=treatment.priority,
        rule_kind=treatment.rule_kind,
        subject=finding.subject,
        confidence=finding.confidence,
        evidence=finding.evidence,
    )
    return _go(alarm, finding.condition, AlarmState.UNACKNOWLEDGED, "raised", finding.time_ms)


def _go(
    alarm: Alarm,
    condition: str,
    state: AlarmState,
    cause: Cause,
    time_ms: int,
    by: str = "",
    comment: str = "",
) -> tuple[Alarm, Transition]:
    alarm = replace(alarm, state=state, step=alarm.step + 1)
    transition = Transition(
        condition=condition,
        occurrence=alarm.occurrence,
        step=alarm.step,
        cause=cause,
        state=state,
        time_ms=time_ms,
        since_ms=alarm.since_ms,
        priority=alarm.priority,
        rule_kind=alarm.rule_kind,
        subject=alarm.subject,
        confidence=alarm.confidence,
        evidence=alarm.evidence,
        by=by,
        comment=comment,
    )
    return alarm, transition
