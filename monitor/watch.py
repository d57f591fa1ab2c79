"""The heart: `step(state, event) -> (state, effects)`.

Pure: it knows no wire, no store, no clock. The same events from the same state give the same effects,
however they are cut into batches; that is what makes a stored stream replayable.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from monitor.alarms import own
from monitor.alarms.lifecycle import Alarm, Treatment, find, on_acknowledge, on_finding
from monitor.alarms.routing import notices
from monitor.condition.conditioner import ChannelState, Conditioner, MovedBack
from monitor.condition.derive import Deriver
from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import (
    DELIVERED_LATE,
    AlarmState,
    Count,
    Event,
    Finding,
    Notice,
    OperatorAction,
    Reading,
    Sample,
    Stamp,
    Status,
    StoreReplaced,
    Tick,
    Transition,
)
from monitor.rules.rule import AWAY_MS, HearsStamps, Rule

_TRY_AGAIN_MS = 86_400_000
_STAMPS_APART_MS = 60_000


@dataclass(frozen=True, slots=True)
class Failure:
    """The exception a rule raised, and when; the rule rests until it is tried again."""

    what: str
    since_ms: int


@dataclass(frozen=True, slots=True)
class WatchState:
    """Everything the watch remembers. Parts are replaced, never changed."""

    sequence: int = 0  # number of the last event
    last_tick_ms: int = 0
    channels: dict[str, ChannelState] = field(default_factory=dict)
    rules: dict[str, Any] = field(default_factory=dict)
    failed: dict[str, Failure] = field(default_factory=dict)
    alarms: dict[str, Alarm] = field(default_factory=dict)
    numbers_after: int = 0  # occurrences are numbered from beyond this
    derived: dict[str, Any] = field(default_factory=dict)  # memories of derived channels that have one


@dataclass(slots=True)
class Effects:
    """What one event, or a batch of them, did; the writer puts it into one transaction."""

    events: list[tuple[int, Tick | OperatorAction | StoreReplaced | Stamp]] = field(default_factory=list)
    readings: list[tuple[int, Reading]] = field(default_factory=list)
    taken: list[tuple[int, int]] = field(default_factory=list)  # rows of the inbox that became readings
    transitions: list[tuple[int, Transition]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    counts: list[Count] = field(default_factory=list)
    moved_back: list[MovedBack] = field(default_factory=list)
    again: list[Reading] = field(default_factory=list)  # stored as gated, and judged now


class Watch:
    """The watch over one plant by its rules."""

    def __init__(self, plant: Plant, rules: Sequence[Rule[Any]]) -> None:
        self._plant = plant
        self._conditioner = Conditioner(plant)
        self.counting = tuple(name for name, channel in plant.channels.items() if channel.counter is not None)
        self.deriver = Deriver(plant)
        self.rules = {rule.settings.id: rule for rule in rules}
        known = (plant.channels, *({one.id for one in many} for many in _named(plant)))
        self._known: frozenset[str] = frozenset().union(*known)
        self._by_channel: dict[str, list[str]] = {}
        for name, rule in self.rules.items():
            for channel in rule.channels:
                self._by_channel.setdefault(channel, []).append(name)
        self._by_stamp = {
            channel: heard
            for channel, names in self._by_channel.items()
            if (heard := [name for name in names if isinstance(self.rules[name], HearsStamps)])
        }
        self._treatments = {
            name: Treatment(
                rule.kind, rule.settings.priority, rule.settings.on_delay, rule.settings.off_delay
            )
            for name, rule in self.rules.items()
        }

    @property
    def channels(self) -> Collection[str]:
        """The channels it knows."""
        return self._plant.channels

    def inputs(self, channels: Iterable[str]) -> set[str]:
        """These channels, and all that their readings rest on."""
        return self._conditioner.inputs(channels)

    def is_moved_by(self, reading: Reading) -> bool:
        """Whether a reading may have changed what is remembered. A late or misdated one with a time of its
        own does so only by a Stamp; a derived one is no event."""
        if reading.status & Status.DERIVED:
            return False
        return reading.ordered or not reading.own_time

    def only(self, rules: Iterable[str]) -> Watch:
        """The watch over the same plant by these of its rules."""
        return Watch(self._plant, [self.rules[name] for name in rules])

    def run(self, state: WatchState, events: Iterable[Event], effects: Effects) -> WatchState:
        """Step through events, gathering their effects."""
        for event in events:
            state = self.step(state, event, effects)
        return state

    def step(self, state: WatchState, event: Event, effects: Effects) -> WatchState:
        """The state after one event; what it did is added to `effects`."""
        state = replace(state, sequence=state.sequence + 1)
        match event:
            case Sample():
                return self._on_sample(state, event, effects)
            case Tick():
                effects.events.append((state.sequence, event))
                return self._on_tick(state, event, effects)
            case OperatorAction(action="reading"):
                return self._on_read_by_hand(state, event, effects)
            case OperatorAction():
                effects.events.append((state.sequence, event))
                return self._on_action(state, event, effects)
            case StoreReplaced():
                effects.events.append((state.sequence, event))
                return self._on_other_store(state, event, effects)
            case Stamp():
                return self._on_stamp(state, event, effects)

    def _on_sample(self, state: WatchState, sample: Sample, effects: Effects) -> WatchState:
        if not self._conditioner.knows(sample.channel):
            return state  # of a stored stream older than the site file
        conditioned = self._conditioner.condition(state.channels, sample)
        state = replace(state, channels={**state.channels, **conditioned.states})
        reading = conditioned.reading
        effects.readings.append((state.sequence, reading))
        effects.counts.extend(conditioned.counts)
        if conditioned.moved_back is not None:
            effects.moved_back.append(conditioned.moved_back)
        if reading.ordered:
            state = self._on_reading(state, reading, effects)
        elif reading.own_time and not reading.status & DELIVERED_LATE:
            stamp = Stamp(reading.arrival_ms, reading.channel, reading.time_ms)
            state = self._on_stamp(state, stamp, effects)
        return self._judge_again(state, conditioned.again, effects)

    def _on_stamp(self, state: WatchState, stamp: Stamp, effects: Effects) -> WatchState:
        """Tell of a time that no reading in order carries. One a minute will do, and of two that the stream
        holds of one Sample, itself and its Stamp, only the first is told."""
        rules, known = self._by_stamp.get(stamp.channel), state.channels.get(stamp.channel)
        if rules is None or known is None or 0 <= stamp.time_ms - known.stamp_ms < _STAMPS_APART_MS:
            return state
        effects.events.append((state.sequence, stamp))
        known = replace(known, stamp_ms=stamp.time_ms)
        state = replace(state, channels={**state.channels, stamp.channel: known})
        for name in rules:
            state = self._judge(state, name, stamp, effects)
        return state

    def _judge_again(self, state: WatchState, again: Iterable[Reading], effects: Effects) -> WatchState:
        """Readings that were gated when they came, and are judged now that their run or day is over."""
        for reading in again:
            effects.again.append(reading)
            for name in self._by_channel.get(reading.channel, ()):
                state = self._judge(state, name, reading, effects)
        return state

    def _on_read_by_hand(self, state: WatchState, action: OperatorAction, effects: Effects) -> WatchState:
        """A value that a person read is a sample like any other: stored as a reading, not as an event."""
        effects.taken.append((state.sequence, action.inbox_id))
        if not self._conditioner.knows(action.target):
            effects.counts.append(Count("unknown-channel", action.target, action.told_ms, action.by))
            return state
        return self._on_sample(
            state, Sample(action.target, action.value, action.told_ms, action.time_ms), effects
        )

    def _on_reading(self, state: WatchState, reading: Reading, effects: Effects) -> WatchState:
        """A reading in order: the rules judge it, and what is derived of it follows."""
        for name in self._by_channel.get(reading.channel, ()):
            state = self._judge(state, name, reading, effects)
        for name in self.deriver.fed_by(reading.channel):
            state = self._derive(state, name, reading, effects)
        return state

    def _derive(self, state: WatchState, name: str, reading: Reading, effects: Effects) -> WatchState:
        done = self.deriver.derive(name, state.channels, state.derived, reading)
        effects.counts.extend(done.counts)
        if done.moved_back is not None:
            effects.moved_back.append(done.moved_back)
        if done.memory is not state.derived.get(name):
            state = replace(state, derived={**state.derived, name: done.memory})
        if done.state is None:
            return state
        changed = {name: done.state}
        if done.reading is None:
            return replace(state, channels={**state.channels, **changed})
        found, again = self._conditioner.beside_others(state.channels, done.reading, changed)
        state = replace(state, channels={**state.channels, **changed})
        effects.readings.append((state.sequence, found))
        return self._judge_again(self._on_reading(state, found, effects), again, effects)

    def _on_tick(self, state: WatchState, tick: Tick, effects: Effects) -> WatchState:
        state = self._try_failed_again(state, tick, effects)
        state = self._retire_orphans(state, tick, effects)
        state = replace(state, last_tick_ms=tick.time_ms)
        for name in self.rules:
            state = self._judge(state, name, tick, effects)
        return state

    def _try_failed_again(self, state: WatchState, tick: Tick, effects: Effects) -> WatchState:
        """A day later, or after the watch was away, a failed rule gets another chance."""
        away = tick.time_ms - state.last_tick_ms > AWAY_MS
        for name, failure in state.failed.items():
            if away or tick.time_ms - failure.since_ms > _TRY_AGAIN_MS:
                state = replace(state, failed={k: v for k, v in state.failed.items() if k != name})
                back = own.rule_failed(name, failure.what, tick.time_ms, holds=False)
                state = self._found(state, back, own.FAILED_TREATMENT, effects)
        return state

    def _retire_orphans(self, state: WatchState, tick: Tick, effects: Effects) -> WatchState:
        """The alarm of a rule, or of an instrument or channel, that is no longer in the site file returns:
        nothing judges it any more."""
        for condition, alarm in state.alarms.items():
            if alarm.holds and not own.stays(alarm) and self._is_orphan(condition, alarm):
                back = Finding(
                    condition, alarm.subject, False, tick.time_ms, tick.time_ms, 0.99, alarm.evidence
                )
                state = self._found(state, back, Treatment(alarm.rule_kind, alarm.priority), effects)
        return state

    def _is_orphan(self, condition: str, alarm: Alarm) -> bool:
        rule, _, part = condition.partition("/")
        about = part.rpartition("/")[2]  # `rule/channel`, or `rule/clock/instrument`
        return rule not in self.rules or (part != "" and about == alarm.subject and about not in self._known)

    def _on_action(self, state: WatchState, action: OperatorAction, effects: Effects) -> WatchState:
        if action.action == "event":
            changed = self.deriver.on_event(state.derived, action)
            return replace(state, derived={**state.derived, **changed}) if changed else state
        condition = find(state.alarms, action.target)
        if condition is None:
            effects.counts.append(Count("no-such-alarm", action.target, action.time_ms, action.by))
            return state
        alarm, transition = on_acknowledge(state.alarms[condition], condition, action)
        if transition is None:
            effects.counts.append(Count("nothing-to-acknowledge", action.target, action.time_ms, action.by))
            return state
        return self._transit(state, condition, alarm, transition, effects)

    def _on_other_store(self, state: WatchState, event: StoreReplaced, effects: Effects) -> WatchState:
        state = replace(state, numbers_after=event.numbers_after)
        if event.what == "restored":
            return state
        return self._found(state, own.store_set_aside(event), own.SET_ASIDE_TREATMENT, effects)

    def _judge(
        self,
        state: WatchState,
        name: str,
        event: Reading | Tick | Stamp,
        effects: Effects,
    ) -> WatchState:
        """Ask one rule; one that raises keeps its last state, is switched off, and that is an alarm."""
        if name in state.failed:
            return state
        rule = self.rules[name]
        before = state.rules.get(name)
        if before is None:
            before = rule.start()
        try:
            if isinstance(event, Reading):
                after, findings = rule.on_reading(before, event)
            elif isinstance(event, Stamp):
                assert isinstance(rule, HearsStamps)
                after, findings = rule.on_stamp(before, event)
            else:
                after, findings = rule.on_tick(before, event)
        except Exception as error:  # noqa: BLE001 - whatever a rule does wrong, the rest of the watch goes on
            what = f"{type(error).__name__}: {error}"
            failure = Failure(what, event.time_ms)
            state = replace(state, failed={**state.failed, name: failure})
            failed = own.rule_failed(name, what, event.time_ms)
            return self._found(state, failed, own.FAILED_TREATMENT, effects)
        if after is not before:
            state = replace(state, rules={**state.rules, name: after})
        for finding in findings:
            state = self._found(state, finding, self._treatments[name], effects)
        return state

    def _found(
        self, state: WatchState, finding: Finding, treatment: Treatment, effects: Effects
    ) -> WatchState:
        before = state.alarms.get(finding.condition)
        if before is None:
            if not finding.holds:
                return state
            before = Alarm()
        if before.state is AlarmState.NORMAL and before.occurrence < state.numbers_after:
            before = replace(before, occurrence=state.numbers_after)
        alarm, transition = on_finding(before, finding, treatment)
        if alarm is before:
            return state
        return self._transit(state, finding.condition, alarm, transition, effects)

    def _transit(
        self,
        state: WatchState,
        condition: str,
        alarm: Alarm,
        transition: Transition | None,
        effects: Effects,
    ) -> WatchState:
        if transition is not None:
            effects.transitions.append((state.sequence, transition))
            effects.notices.extend(notices(self._plant, transition))
        return replace(state, alarms={**state.alarms, condition: alarm})


def _named(plant: Plant) -> tuple[Sequence[Any], ...]:
    """All that has an id and that a rule may speak about."""
    return plant.instrument, plant.stage, plant.point, plant.sump
