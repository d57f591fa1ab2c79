"""The heart: `step(state, event) -> (state, effects)`.

Pure: it knows no wire, no store, no clock. The same events from the same state give the same effects,
however they are cut into batches; that is what makes a stored stream replayable.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from monitor.alarms import own
from monitor.alarms.alarm import Alarm, Treatment
from monitor.alarms.board import Board, Heard
from monitor.alarms.flood import Flood, away
from monitor.alarms.off import Off
from monitor.alarms.routing import spoken
from monitor.condition.conditioner import ChannelState, Conditioner, MovedBack
from monitor.condition.derive import Deriver
from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import (
    DELIVERED_LATE,
    Count,
    Event,
    Finding,
    Notice,
    OperatorAction,
    Reading,
    Sample,
    Silence,
    Stamp,
    Status,
    StoreReplaced,
    Tick,
    Transition,
)
from monitor.rules.rule import AWAY_MS, HearsEvents, HearsStamps, RestsOn, Rule

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
    windows: Mapping[str, Silence] = field(default_factory=dict)  # maintenance, by what it covers
    off: Mapping[str, Off] = field(default_factory=dict)  # stages that are off by their contact
    flood: Flood = field(default_factory=Flood)  # what was told lately, and what is held to be told together


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
    findings: list[Finding] | None = None  # all that was found; kept where a list is given


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
        self._hear_events = [name for name, rule in self.rules.items() if isinstance(rule, HearsEvents)]
        self._treatments = {
            name: Treatment(
                rule.kind,
                rule.settings.priority,
                rule.settings.on_delay,
                rule.settings.off_delay,
                name in plant.alarms.latched,
                rule.rests_on if isinstance(rule, RestsOn) else frozenset(),
            )
            for name, rule in self.rules.items()
        }
        self._board = Board(plant, self._treatments)

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
        """The state after some events, one after the other; what they did is added to `effects`."""
        draft = _Draft(state)
        for event in events:
            self._step(draft, event, effects)
        return draft.state()

    def step(self, state: WatchState, event: Event, effects: Effects) -> WatchState:
        """The state after one event; what it did is added to `effects`."""
        return self.run(state, (event,), effects)

    def _step(self, draft: _Draft, event: Event, effects: Effects) -> None:
        draft.sequence += 1
        match event:
            case Sample():
                self._on_sample(draft, event, effects)
            case Tick():
                effects.events.append((draft.sequence, event))
                self._on_tick(draft, event, effects)
            case OperatorAction(action="reading"):
                self._on_read_by_hand(draft, event, effects)
            case OperatorAction():
                effects.events.append((draft.sequence, event))
                self._on_action(draft, event, effects)
            case StoreReplaced():
                effects.events.append((draft.sequence, event))
                self._on_other_store(draft, event, effects)
            case Stamp():
                self._on_stamp(draft, event, effects)
        heard = draft.heard
        if heard.transitions or heard.counts or (draft.flood.held and isinstance(event, Tick)):
            self._tell(draft, event, effects)

    def _on_sample(self, draft: _Draft, sample: Sample, effects: Effects) -> None:
        if not self._conditioner.knows(sample.channel):
            return  # of a stored stream older than the site file
        conditioned = self._conditioner.condition(draft.channels, sample)
        draft.put_channels(conditioned.states)
        reading = conditioned.reading
        effects.readings.append((draft.sequence, reading))
        effects.counts.extend(conditioned.counts)
        if conditioned.moved_back is not None:
            effects.moved_back.append(conditioned.moved_back)
        if reading.ordered:
            self._on_reading(draft, reading, effects)
        elif reading.own_time and not reading.status & DELIVERED_LATE:
            self._on_stamp(draft, Stamp(reading.arrival_ms, reading.channel, reading.time_ms), effects)
        self._judge_again(draft, conditioned.again, effects)

    def _on_stamp(self, draft: _Draft, stamp: Stamp, effects: Effects) -> None:
        """Tell of a time that no reading in order carries. One a minute will do, and of two that the stream
        holds of one Sample, itself and its Stamp, only the first is told."""
        rules, known = self._by_stamp.get(stamp.channel), draft.channels.get(stamp.channel)
        if rules is None or known is None or 0 <= stamp.time_ms - known.stamp_ms < _STAMPS_APART_MS:
            return
        effects.events.append((draft.sequence, stamp))
        draft.put_channels({stamp.channel: replace(known, stamp_ms=stamp.time_ms)})
        for name in rules:
            self._judge(draft, name, stamp, effects)

    def _judge_again(self, draft: _Draft, again: Iterable[Reading], effects: Effects) -> None:
        """Readings that were gated when they came, and are judged now that their run or day is over."""
        for reading in again:
            effects.again.append(reading)
            for name in self._by_channel.get(reading.channel, ()):
                self._judge(draft, name, reading, effects)

    def _on_read_by_hand(self, draft: _Draft, action: OperatorAction, effects: Effects) -> None:
        """A value that a person read is a sample like any other: stored as a reading, not as an event."""
        effects.taken.append((draft.sequence, action.inbox_id))
        if not self._conditioner.knows(action.target):
            effects.counts.append(Count("unknown-channel", action.target, action.told_ms, action.by))
            return
        sample = Sample(action.target, action.value, action.told_ms, action.time_ms)
        self._on_sample(draft, sample, effects)

    def _on_reading(self, draft: _Draft, reading: Reading, effects: Effects) -> None:
        """A reading in order: the rules judge it, and what is derived of it follows."""
        self._board.on_reading(draft, reading, draft.heard)
        for name in self._by_channel.get(reading.channel, ()):
            self._judge(draft, name, reading, effects)
        for name in self.deriver.fed_by(reading.channel):
            self._derive(draft, name, reading, effects)

    def _derive(self, draft: _Draft, name: str, reading: Reading, effects: Effects) -> None:
        done = self.deriver.derive(name, draft.channels, draft.derived, reading)
        effects.counts.extend(done.counts)
        if done.moved_back is not None:
            effects.moved_back.append(done.moved_back)
        if done.memory is not draft.derived.get(name):
            draft.put_derived({name: done.memory})
        if done.state is None:
            return
        changed = {name: done.state}
        if done.reading is None:
            draft.put_channels(changed)
            return
        found, again = self._conditioner.beside_others(draft.channels, done.reading, changed)
        draft.put_channels(changed)
        effects.readings.append((draft.sequence, found))
        self._on_reading(draft, found, effects)
        self._judge_again(draft, again, effects)

    def _on_tick(self, draft: _Draft, tick: Tick, effects: Effects) -> None:
        draft.flood = away(draft.flood, draft.last_tick_ms, tick.time_ms)
        self._try_failed_again(draft, tick, effects)
        self._retire_orphans(draft, tick, effects)
        draft.last_tick_ms = tick.time_ms
        for name in self.rules:
            self._judge(draft, name, tick, effects)
        self._board.on_tick(draft, tick, draft.heard)

    def _try_failed_again(self, draft: _Draft, tick: Tick, effects: Effects) -> None:
        """A day later, or after the watch was away, a failed rule gets another chance."""
        away = tick.time_ms - draft.last_tick_ms > AWAY_MS
        for name, failure in draft.failed.items():
            if away or tick.time_ms - failure.since_ms > _TRY_AGAIN_MS:
                draft.failed = {k: v for k, v in draft.failed.items() if k != name}
                back = own.rule_failed(name, failure.what, tick.time_ms, holds=False)
                self._found(draft, back, own.FAILED_TREATMENT, effects)

    def _retire_orphans(self, draft: _Draft, tick: Tick, effects: Effects) -> None:
        """The alarm of a rule, or of an instrument or channel, that is no longer in the site file returns:
        nothing judges it any more."""
        for condition, alarm in tuple(draft.alarms.items()):
            if alarm.holds and not own.stays(alarm) and self._is_orphan(condition, alarm):
                back = Finding(
                    condition, alarm.subject, False, tick.time_ms, tick.time_ms, 0.99, alarm.evidence
                )
                self._found(draft, back, Treatment(alarm.rule_kind, alarm.priority), effects)

    def _is_orphan(self, condition: str, alarm: Alarm) -> bool:
        rule, _, part = condition.partition("/")
        about = part.rpartition("/")[2]  # `rule/channel`, or `rule/clock/instrument`
        return rule not in self.rules or (part != "" and about == alarm.subject and about not in self._known)

    def _on_action(self, draft: _Draft, action: OperatorAction, effects: Effects) -> None:
        if action.action == "event":
            if changed := self.deriver.on_event(draft.derived, action):
                draft.put_derived(changed)
            for name in self._hear_events:
                self._judge(draft, name, action, effects)
            return
        self._board.on_action(draft, action, draft.heard)

    def _on_other_store(self, draft: _Draft, event: StoreReplaced, effects: Effects) -> None:
        draft.numbers_after = event.numbers_after
        if event.what != "restored":
            self._found(draft, own.store_set_aside(event), own.SET_ASIDE_TREATMENT, effects)

    def _judge(
        self, draft: _Draft, name: str, event: Reading | Tick | Stamp | OperatorAction, effects: Effects
    ) -> None:
        """Ask one rule; one that raises keeps its last state, is switched off, and that is an alarm."""
        if name in draft.failed:
            return
        rule = self.rules[name]
        before = draft.rules.get(name)
        if before is None:
            before = rule.start()
        try:
            if isinstance(event, Reading):
                after, findings = rule.on_reading(before, event)
            elif isinstance(event, Stamp):
                assert isinstance(rule, HearsStamps)
                after, findings = rule.on_stamp(before, event)
            elif isinstance(event, OperatorAction):
                assert isinstance(rule, HearsEvents)
                after, findings = rule.on_event(before, event)
            else:
                after, findings = rule.on_tick(before, event)
        except Exception as error:  # noqa: BLE001 - whatever a rule does wrong, the rest of the watch goes on
            what = f"{type(error).__name__}: {error}"
            draft.failed = {**draft.failed, name: Failure(what, event.time_ms)}
            failed = own.rule_failed(name, what, event.time_ms)
            self._found(draft, failed, own.FAILED_TREATMENT, effects)
            return
        if after is not before:
            draft.put_rule(name, after)
        for finding in findings:
            self._found(draft, finding, self._treatments[name], effects)

    def _found(self, draft: _Draft, finding: Finding, treatment: Treatment, effects: Effects) -> None:
        if effects.findings is not None:
            effects.findings.append(finding)
        self._board.on_finding(draft, finding, treatment, draft.heard)

    def _tell(self, draft: _Draft, event: Event, effects: Effects) -> None:
        """Hand on what the event made of alarms, and who is owed word of it: many at once in one message."""
        heard, draft.heard = draft.heard, Heard()
        effects.transitions += [(draft.sequence, transition) for transition, _ in heard.transitions]
        effects.counts += heard.counts
        telling = [transition for transition, tell in heard.transitions if tell]
        tick_ms = event.time_ms if isinstance(event, Tick) else None
        draft.flood, bursts, owed = spoken(
            self._plant, draft.alarms, draft.flood, telling, draft.last_tick_ms, tick_ms
        )
        effects.transitions += [(draft.sequence, burst) for burst in bursts]
        effects.notices += owed


class _Draft:
    """The state while events are stepped through. What it was begun from never changes: a dictionary is
    copied when it is first written to."""

    __slots__ = (
        "_begun",
        "alarms",
        "channels",
        "derived",
        "failed",
        "flood",
        "heard",
        "last_tick_ms",
        "numbers_after",
        "off",
        "rules",
        "sequence",
        "windows",
    )

    def __init__(self, state: WatchState) -> None:
        self._begun = state
        self.sequence, self.last_tick_ms = state.sequence, state.last_tick_ms
        self.channels, self.derived, self.rules = state.channels, state.derived, state.rules
        self.failed, self.alarms, self.numbers_after = state.failed, state.alarms, state.numbers_after
        self.windows, self.off, self.heard = state.windows, state.off, Heard()
        self.flood = state.flood

    def state(self) -> WatchState:
        """What it has become."""
        return WatchState(
            sequence=self.sequence,
            last_tick_ms=self.last_tick_ms,
            channels=self.channels,
            rules=self.rules,
            failed=self.failed,
            alarms=self.alarms,
            numbers_after=self.numbers_after,
            derived=self.derived,
            windows=self.windows,
            off=self.off,
            flood=self.flood,
        )

    def put_channels(self, states: Mapping[str, ChannelState]) -> None:
        if self.channels is self._begun.channels:
            self.channels = dict(self.channels)
        self.channels.update(states)

    def put_derived(self, memories: Mapping[str, Any]) -> None:
        if self.derived is self._begun.derived:
            self.derived = dict(self.derived)
        self.derived.update(memories)

    def put_rule(self, name: str, state: Any) -> None:
        if self.rules is self._begun.rules:
            self.rules = dict(self.rules)
        self.rules[name] = state

    def put_alarm(self, condition: str, alarm: Alarm) -> None:
        if self.alarms is self._begun.alarms:
            self.alarms = dict(self.alarms)
        self.alarms[condition] = alarm

    def put_windows(self, windows: Mapping[str, Silence]) -> None:
        self.windows = windows

    def put_off(self, off: Mapping[str, Off]) -> None:
        self.off = off


def _named(plant: Plant) -> tuple[Sequence[Any], ...]:
    """All that has an id and that a rule may speak about."""
    return plant.instrument, plant.stage, plant.point, plant.sump
