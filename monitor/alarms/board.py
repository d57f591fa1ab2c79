"""The board: all alarms together, what keeps some of them back, and who is to be told of what.

One alarm's transitions are those of `lifecycle`, `silencing` and `reminders`; here is what one alarm has to
do with others: an instrument fault that suppresses what rests on the instrument, and maintenance that covers
all alarms of a stage. Pure, as everything the watch is made of.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from pydantic import JsonValue

from monitor.alarms.alarm import ACTIVE, Alarm, Outcome, Treatment
from monitor.alarms.lifecycle import find, on_acknowledge, on_finding, on_reset
from monitor.alarms.off import Off, Stages
from monitor.alarms.reminders import remind
from monitor.alarms.silencing import (
    LONGEST_SERVICE_MS,
    LONGEST_SHELF_MS,
    asked,
    ended,
    kept,
    shelve,
    unshelve,
)
from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import (
    AlarmState,
    Cause,
    Count,
    Finding,
    OperatorAction,
    Reading,
    Silence,
    Tick,
    Transition,
)

_UNHEARD = {
    "acknowledge": "nothing-to-acknowledge",
    "reset": "nothing-to-reset",
    "shelve": "shelf-without-end",
    "unshelve": "nothing-to-unshelve",
}


class Desk(Protocol):
    """Where the alarms lie while events are stepped through."""

    @property
    def alarms(self) -> Mapping[str, Alarm]:
        """The alarms by condition."""

    @property
    def windows(self) -> Mapping[str, Silence]:
        """Maintenance that goes on, by what it covers."""

    @property
    def off(self) -> Mapping[str, Off]:
        """The stages that are off."""

    @property
    def numbers_after(self) -> int:
        """Occurrences are numbered from beyond this."""

    def put_alarm(self, condition: str, alarm: Alarm) -> None:
        """Exchange one alarm."""

    def put_windows(self, windows: Mapping[str, Silence]) -> None:
        """Exchange the maintenance."""

    def put_off(self, off: Mapping[str, Off]) -> None:
        """Exchange the stages that are off."""


@dataclass(slots=True)
class Heard:
    """What an event made of the alarms."""

    transitions: list[tuple[Transition, bool]] = field(default_factory=list)  # and whether people are told
    counts: list[Count] = field(default_factory=list)


class Board:
    """The alarms of one plant; `treatments` by the id of the rule."""

    def __init__(self, plant: Plant, treatments: Mapping[str, Treatment]) -> None:
        self._plant, self._treatments = plant, treatments
        self._places = _places(plant)
        self._made_of = {name: _made_of(plant, name) for name in plant.channels}
        self._stages = Stages(plant)

    def on_finding(self, desk: Desk, finding: Finding, treatment: Treatment, heard: Heard) -> None:
        """A rule, or the watch itself, has found something."""
        condition = finding.condition
        before = desk.alarms.get(condition)
        if before is None:
            if not finding.holds:
                return
            before = Alarm()
        if before.state is AlarmState.NORMAL and before.occurrence < desk.numbers_after:
            before = replace(before, occurrence=desk.numbers_after)
        if before.suppression is not None and finding.holds:
            before = self._trusted_again(desk, before, finding, treatment, heard)
        alarm, transition, tell = on_finding(before, finding, treatment)
        if transition is not None and transition.cause in ("raised", "chattering"):
            kept_back = self._kept_back(desk, before, finding, treatment)
            alarm, transition, tell = on_finding(kept_back, self._naming(finding), treatment)
        if alarm is not before:
            self._put(desk, condition, (alarm, transition, tell), heard)

    def on_action(self, desk: Desk, action: OperatorAction, heard: Heard) -> None:
        """A person has acknowledged, reset, shelved, or taken something out of service or back."""
        if action.action in ("out-of-service", "in-service"):
            self._on_service(desk, action, heard)
            return
        condition = find(desk.alarms, action.target)
        if condition is None and action.action == "shelve":
            condition = self._never_raised(desk, action.target)
        if condition is None:
            heard.counts.append(Count("no-such-alarm", action.target, action.time_ms, action.by))
            return
        done = _acted(desk.alarms[condition], condition, action)
        if done[1] is None:
            heard.counts.append(Count(_UNHEARD[action.action], action.target, action.time_ms, action.by))
            return
        self._put(desk, condition, done, heard)

    def on_reading(self, desk: Desk, reading: Reading, heard: Heard) -> None:
        """A contact may say that a stage is off, or runs again."""
        if reading.channel not in self._stages.contacts:
            return
        off = self._stages.heard(desk.off, reading)
        if off is not desk.off:
            news = off.keys() != desk.off.keys()
            desk.put_off(off)
            if news:
                self._settle(desk, reading.time_ms, heard)

    def on_tick(self, desk: Desk, tick: Tick, heard: Heard) -> None:
        """A minute has begun: shelves and maintenance end, reminders come."""
        over = {t for t, window in desk.windows.items() if ended(window, tick.time_ms, LONGEST_SERVICE_MS)}
        off = self._stages.still(desk.off, tick.time_ms)
        if over or off is not desk.off:
            desk.put_windows({t: window for t, window in desk.windows.items() if t not in over})
            desk.put_off(off)
            self._settle(desk, tick.time_ms, heard)
        for condition, alarm in tuple(desk.alarms.items()):
            done: Outcome
            if alarm.shelf is not None and ended(alarm.shelf, tick.time_ms, LONGEST_SHELF_MS):
                done = unshelve(alarm, condition, tick.time_ms)
            else:
                done = remind(alarm, condition, tick.time_ms, self._plant.alarms)
            if done[1] is not None:
                self._put(desk, condition, done, heard)

    def _put(self, desk: Desk, condition: str, done: Outcome, heard: Heard) -> None:
        alarm, transition, tell = done
        before = desk.alarms.get(condition)
        desk.put_alarm(condition, alarm)
        if transition is None:
            return
        heard.transitions.append((transition, tell))
        stood = before is not None and before.state in ACTIVE
        matters = any(one.distrusts or one.speaks_for for one in (alarm, before) if one is not None)
        if matters and stood != (alarm.state in ACTIVE):
            self._settle(desk, transition.time_ms, heard)

    def _settle(self, desk: Desk, time_ms: int, heard: Heard) -> None:
        """Keep back, or no longer, the alarms that stand or are kept back, as things are now."""
        for condition, alarm in tuple(desk.alarms.items()):
            if alarm.state is AlarmState.NORMAL and alarm.silence is None:
                continue
            service = self._service(desk, condition, alarm.subject)
            if service != alarm.service:
                cause: Cause = "in-service" if service is None else "out-of-service"
                by, why = (service.by, service.why) if service is not None else ("", "")
                done = kept(alarm, condition, cause, time_ms, by, why, service=service)
                self._put(desk, condition, done, heard)
            alarm = desk.alarms[condition]
            suppression = self._suppression(desk, condition, alarm.rests_on, alarm.matter, time_ms)
            if _by(suppression) != _by(alarm.suppression):
                cause = "unsuppressed" if suppression is None else "suppressed"
                done = kept(alarm, condition, cause, time_ms, suppression=suppression)
                self._put(desk, condition, done, heard)

    def _kept_back(self, desk: Desk, alarm: Alarm, finding: Finding, treatment: Treatment) -> Alarm:
        """The alarm that is about to be raised, with what keeps it back from the beginning."""
        service = self._service(desk, finding.condition, finding.subject)
        rests_on = _rests_on(finding, treatment)
        suppression = self._suppression(desk, finding.condition, rests_on, finding.matter, finding.time_ms)
        if _by(suppression) == _by(alarm.suppression):
            suppression = alarm.suppression
        if service == alarm.service and suppression == alarm.suppression:
            return alarm
        hidden_from = alarm.hidden_from if alarm.silence is not None else alarm.state
        return replace(alarm, service=service, suppression=suppression, hidden_from=hidden_from)

    def _trusted_again(
        self, desk: Desk, alarm: Alarm, finding: Finding, treatment: Treatment, heard: Heard
    ) -> Alarm:
        """A suppressed alarm whose evidence no longer rests on the faulty instrument (the value is at the end
        of its range on the dangerous side, which is evidence whatever is wrong with it), or is no longer told
        by another."""
        rests_on = _rests_on(finding, treatment)
        matter, condition, now_ms = finding.matter, finding.condition, finding.time_ms
        if self._suppression(desk, condition, rests_on, matter, now_ms) is not None:
            return alarm
        alarm = replace(alarm, rests_on=rests_on, matter=matter)
        self._put(desk, condition, kept(alarm, condition, "unsuppressed", now_ms, suppression=None), heard)
        return desk.alarms[condition]

    def _naming(self, finding: Finding) -> Finding:
        """An instrument fault says which rules are silent while it lasts."""
        if not finding.distrusts:
            return finding
        treatments = self._treatments.items()
        silent = [name for name, one in treatments if self._hit(one.rests_on, finding.distrusts)]
        return replace(finding, evidence={**finding.evidence, "silences": list[JsonValue](silent)})

    def _suppression(
        self, desk: Desk, condition: str, rests_on: Iterable[str], matter: str, time_ms: int
    ) -> Silence | None:
        """What suppresses what rests on these channels (an instrument fault, a stage that is off), or is told
        of the same matter by another alarm."""
        for name, voice in desk.alarms.items():
            if matter and matter in voice.speaks_for and voice.state in ACTIVE and name != condition:
                return Silence(name, "that alarm tells of the same cause", time_ms)
        rests_on = tuple(rests_on)
        if not rests_on:
            return None
        for name, fault in desk.alarms.items():
            stands = fault.distrusts and fault.state in ACTIVE and name != condition
            if stands and self._hit(rests_on, fault.distrusts):
                return Silence(name, "it rests on an instrument that is not to be trusted", time_ms)
        stage = self._stages.off_of(desk.off, frozenset().union(*map(self._based_on, rests_on)))
        if stage is not None:
            return Silence(stage, "this stage is off", time_ms)
        return None

    def _hit(self, rests_on: Iterable[str], distrusted: Iterable[str]) -> bool:
        return any(not self._based_on(name).isdisjoint(distrusted) for name in rests_on)

    def _based_on(self, channel: str) -> frozenset[str]:
        return self._made_of.get(channel, frozenset((channel,)))

    def _on_service(self, desk: Desk, action: OperatorAction, heard: Heard) -> None:
        windows = {t: window for t, window in desk.windows.items() if t != action.target}
        if action.action == "out-of-service":
            window = asked(action, LONGEST_SERVICE_MS)
            if window is None:
                heard.counts.append(
                    Count("maintenance-without-end", action.target, action.time_ms, action.by)
                )
                return
            windows[action.target] = window
        elif action.target not in desk.windows:
            heard.counts.append(Count("not-out-of-service", action.target, action.time_ms, action.by))
            return
        desk.put_windows(windows)
        self._settle(desk, action.time_ms, heard)

    def _service(self, desk: Desk, condition: str, subject: str) -> Silence | None:
        """The maintenance that covers an alarm; of several the one that ends last."""
        if not desk.windows:
            return None
        names = {condition, condition.partition("/")[0], subject, *self._places.get(subject, ())}
        found = [window for target, window in desk.windows.items() if target in names]
        return max(found, key=lambda window: window.until_ms, default=None)

    def _never_raised(self, desk: Desk, target: str) -> str | None:
        """A rule's own condition may be shelved before it was ever an alarm."""
        treatment = self._treatments.get(target)
        if treatment is None:
            return None
        desk.put_alarm(
            target, Alarm(priority=treatment.priority, rule_kind=treatment.rule_kind, subject=target)
        )
        return target


def _acted(alarm: Alarm, condition: str, action: OperatorAction) -> Outcome:
    match action.action:
        case "acknowledge":
            return on_acknowledge(alarm, condition, action)
        case "reset":
            return on_reset(alarm, condition, action)
        case "shelve":
            return shelve(alarm, condition, action)
        case "unshelve":
            return unshelve(alarm, condition, action.time_ms, action.by, action.comment)
    raise ValueError(f"{action.action} is nothing that is done to an alarm")


def _rests_on(finding: Finding, treatment: Treatment) -> tuple[str, ...]:
    return tuple(sorted(treatment.rests_on)) if finding.rests_on is None else finding.rests_on


def _by(silence: Silence | None) -> str | None:
    return None if silence is None else silence.by


def _made_of(plant: Plant, channel: str) -> frozenset[str]:
    """The channel, and all that its value is computed of where it is derived."""
    found, open_ = set[str](), [channel]
    while open_:
        name = open_.pop()
        found.add(name)
        if name in plant.computed:
            open_ += [one for one in plant.computed[name].inputs.values() if one not in found]
    return frozenset(found)


def _places(plant: Plant) -> dict[str, frozenset[str]]:
    """By channel and by instrument: the names of where it is, which maintenance may be about."""
    found: dict[str, frozenset[str]] = {}
    after = {point.id: point.after for point in plant.point}
    for instrument in plant.instrument:
        own_place = {instrument.point, instrument.sump, after.get(instrument.point or "")}
        found[instrument.id] = frozenset(name for name in own_place if name)
    for channel in plant.channels:
        carrier, point = plant.instrument_of(channel), plant.point_of(channel)
        of_channel = {point.id, point.after} if point is not None else set()
        found[channel] = frozenset({carrier.id, *(found[carrier.id] if point is None else of_channel)})
    return found
