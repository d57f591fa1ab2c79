"""One alarm: what is remembered of it, the state it shows, and how a transition is made of two states."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import get_args

from monitor.frozen import replace
from monitor.readings import AlarmState, Cause, Evidence, Finding, Priority, Silence, Transition

# The condition is there; it is there, or was and is latched.
ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
LATCHED = frozenset({AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})
IN_ALARM = ACTIVE | LATCHED

_RANK: dict[str, int] = {name: -place for place, name in enumerate(get_args(Priority))}


@dataclass(frozen=True, slots=True)
class Treatment:
    """How the conditions of one rule are to be treated."""

    rule_kind: str
    priority: Priority
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    latched: bool = False  # it stays until a person resets it
    rests_on: frozenset[str] = frozenset()  # channels whose own values its judgement is made of


@dataclass(frozen=True, slots=True)
class Alarm:
    """The state of one condition; `occurrence` counts the times it became an alarm.

    `state` is what process and acknowledgement say, whether it is kept back or not. New fields need defaults:
    alarms are history, are never judged again, and so their version never changes.
    """

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
    grade: int = 0  # the worst of the present occurrence
    raises: tuple[int, ...] = ()  # when it was raised lately
    chattering: bool = False
    rests_on: tuple[str, ...] = ()
    distrusts: tuple[str, ...] = ()
    matter: str = ""
    speaks_for: tuple[str, ...] = ()
    shelf: Silence | None = None
    suppression: Silence | None = None
    service: Silence | None = None  # out of service
    hidden_from: AlarmState | None = None  # when it was first kept back: what people knew of it
    told_ms: int = 0  # when people were last told of it, with or without a reminder
    reminders: int = 0  # since it last said something new

    version = 1

    @property
    def silence(self) -> Silence | None:
        """Why it is kept back, if it is: the strongest reason where there are several."""
        return self.service or self.suppression or self.shelf

    @property
    def shown(self) -> AlarmState:
        """The state as people see it."""
        if self.service is not None:
            return AlarmState.OUT_OF_SERVICE
        if self.suppression is not None:
            return AlarmState.SUPPRESSED
        return self.state if self.shelf is None else AlarmState.SHELVED


# The alarm afterwards, its transition if there was one, and whether people are to be told of it.
Outcome = tuple[Alarm, Transition | None, bool]


def is_higher(one: Priority, other: Priority) -> bool:
    """Whether one priority is higher than another."""
    return _RANK[one] > _RANK[other]


def with_finding(alarm: Alarm, finding: Finding) -> Alarm:
    """The alarm with what a Finding says now."""
    return replace(alarm, confidence=finding.confidence, evidence=finding.evidence)


def go(
    alarm: Alarm,
    condition: str,
    state: AlarmState,
    cause: Cause,
    time_ms: int,
    *,
    by: str = "",
    comment: str = "",
    tell: bool = False,
) -> Outcome:
    """The alarm one step on, with its transition."""
    alarm = replace(alarm, state=state, step=alarm.step + 1)
    if tell:
        again = alarm.reminders + 1 if cause == "reminder" else 0
        alarm = replace(alarm, told_ms=time_ms, reminders=again)
    kept_back = alarm.silence is not None
    transition = Transition(
        condition=condition,
        occurrence=alarm.occurrence,
        step=alarm.step,
        cause=cause,
        state=alarm.shown,
        time_ms=time_ms,
        since_ms=alarm.since_ms,
        priority=alarm.priority,
        rule_kind=alarm.rule_kind,
        subject=alarm.subject,
        confidence=alarm.confidence,
        evidence=alarm.evidence,
        by=by,
        comment=comment,
        beneath=alarm.state if kept_back else None,
        silence=alarm.silence,
    )
    return alarm, transition, tell
