"""Why each rule spoke at a moment, or did not: what it saw, what it made of it, what came of that."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import takewhile
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.alarm import ACTIVE, LATCHED, Alarm
from monitor.alarms.routing import wants
from monitor.condition.conditioner import trusted_for_ms
from monitor.condition.gate import Flowing, GateState, says
from monitor.plant.gate import Gate
from monitor.plant.model import Plant
from monitor.plant.units import shown
from monitor.readings import (
    CLOCK_TRUSTED_FROM_MS,
    AlarmState,
    Bound,
    Event,
    Evidence,
    Finding,
    Level,
    Reading,
    Sample,
    Standing,
    Wording,
    words,
)
from monitor.replay.stream import MINUTE_MS, steps
from monitor.replay.unreadable import Unreadable
from monitor.rules.explaining import Explains, Figures, Moment
from monitor.rules.rule import Rule, span
from monitor.watch import Effects, Watch, WatchState

Wordings = Mapping[str, Callable[[Evidence], Wording]]

_READINGS = 3  # of each channel
_CHANNELS = 8  # shown of a rule that watches many, unless it is the only one asked for
_STANDING = ACTIVE | LATCHED
_STANDINGS = {
    Standing.GATED: "stored, not judged: the gate was not open",
    Standing.LATE: "stored, not judged: not later than the one judged before it",
    Standing.TIME_UNKNOWN: "stored, not judged: nobody knows when it was taken",
    Standing.BAD_TIME: "stored, not judged: the time it carries cannot be true",
}
_STATES = {
    AlarmState.UNACKNOWLEDGED: "stands, not acknowledged",
    AlarmState.ACKNOWLEDGED: "stands, acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "is latched, not acknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "is latched until somebody resets it",
}
_BOUNDS = {Bound.EXACT: "", Bound.AT_LEAST: "at least ", Bound.AT_MOST: "at most "}


def explained(
    plant: Plant,
    rules: Sequence[Rule[Any]],
    events: Iterable[Event],
    at_ms: int,
    wordings: Wordings,
    only: Collection[str] = (),
) -> str:
    """What a fresh watch over these events says at a moment; `only` picks rules to be shown.

    Raises: Unreadable when the events do not reach there.
    """
    watch = Watch(plant, rules)
    zone = ZoneInfo(plant.site.timezone)
    state, moment, last_ms = _until(watch, events, at_ms, zone)
    if not last_ms:
        raise Unreadable(f"there is no reading before {_date(at_ms, zone)}")
    if at_ms - last_ms > 2 * MINUTE_MS:
        raise Unreadable(f"the readings end at {_date(last_ms, zone)}, before {_date(at_ms, zone)}")
    shown_rules = [rule for rule in rules if not only or rule.settings.id in only]
    sections = [
        _Section(plant, rule, state, moment, wordings, in_full=len(shown_rules) == 1).text()
        for rule in shown_rules
    ]
    return "\n\n".join([f"At {_date(at_ms, zone)}:", *sections])


def _until(
    watch: Watch, events: Iterable[Event], at_ms: int, zone: ZoneInfo
) -> tuple[WatchState, Moment, int]:
    """The state at a moment, what there was to go by, and when the last event was."""
    readings: dict[str, deque[Reading]] = {}
    findings: dict[str, Finding] = {}
    state, last_ms = WatchState(), 0

    def seen(stream: Iterable[Event]) -> Iterator[Event]:
        nonlocal last_ms
        for event in stream:
            last_ms = max(last_ms, _heard_ms(event))
            yield event

    early = takewhile(lambda event: _heard_ms(event) <= at_ms, events)
    for after, done in steps(watch, seen(early), lambda: Effects(findings=[])):
        state = after
        for reading in (*(reading for _, reading in done.readings), *done.again):
            readings.setdefault(reading.channel, deque(maxlen=_READINGS)).append(reading)
        findings |= {finding.condition: finding for finding in done.findings or ()}
    return state, Moment(at_ms, zone, findings, readings), last_ms


def _heard_ms(event: Event) -> int:
    """When the watch heard of an event. What old files hold is dated as the clock begins; then its own time
    has to do."""
    if not isinstance(event, Sample):
        return event.time_ms
    from_old = event.arrival_ms == CLOCK_TRUSTED_FROM_MS and event.time_ms is not None
    return event.time_ms if from_old and event.time_ms is not None else event.arrival_ms


def _date(at_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%d %H:%M:%S %z}"


class _Section:
    """All that is to be said of one rule."""

    def __init__(
        self,
        plant: Plant,
        rule: Rule[Any],
        state: WatchState,
        moment: Moment,
        wordings: Wordings,
        *,
        in_full: bool,
    ) -> None:
        self._plant, self._rule, self._state, self._now = plant, rule, state, moment
        self._wordings, self._in_full = wordings, in_full
        self._id = rule.settings.id
        self._conditions = list(
            dict.fromkeys(
                [
                    *(found.condition for found in moment.of_rule(self._id)),
                    *(c for c in state.alarms if c == self._id or c.startswith(f"{self._id}/")),
                ]
            )
        )

    def text(self) -> str:
        lines = [f"{self._id} ({self._rule.kind}, {self._rule.settings.priority}): {self._verdict()}"]
        lines += self._block("it saw", self._saw())
        figures = self._figures()
        lines += self._block("it reckoned", figures.get("", ()))
        for condition in self._conditions:
            found, alarm = self._now.findings.get(condition), self._state.alarms.get(condition)
            quiet = (found is None or not found.holds) and (alarm is None or alarm.state is AlarmState.NORMAL)
            if quiet and not self._in_full and len(self._conditions) > _CHANNELS:
                continue
            told = [*figures.get(condition, ()), *self._came_of(condition, found, alarm)]
            lines += self._block(condition, told)
        left = set(figures) - set(self._conditions) - {""}
        for condition in sorted(left) if self._in_full else ():
            lines += self._block(condition, figures[condition])
        return "\n".join(lines)

    @staticmethod
    def _block(title: str, lines: Sequence[str]) -> list[str]:
        return [f"  {title}", *(f"    {line}" for line in lines)] if lines else []

    def _verdict(self) -> str:
        failure = self._state.failed.get(self._id)
        if failure is not None:
            return f"switched off since {self._now.clock(failure.since_ms)}: it raised {failure.what}"
        alarms = {c: a for c in self._conditions if (a := self._state.alarms.get(c)) and a.state in _STANDING}
        if kept_back := [c for c, alarm in alarms.items() if alarm.silence is not None]:
            return f"its alarm stands, and nobody was told: {', '.join(kept_back)}"
        if alarms:
            return f"it spoke, and its alarm stands: {', '.join(alarms)}"
        waiting = [c for c in self._conditions if (f := self._now.findings.get(c)) and f.holds]
        if waiting:
            return f"it had not spoken yet, and waited: {', '.join(waiting)}"
        if not any(name in self._now.readings for name in self._rule.channels) and self._rule.channels:
            return "it did not speak: there was no reading of its channels"
        if not self._conditions:
            return "it did not speak: it could not judge yet"
        return "it did not speak: what it looks for was not so"

    # ------------------------------------------------------------ what it saw

    def _saw(self) -> list[str]:
        names = sorted(self._rule.channels)
        lines = []
        for name in names if self._in_full else names[:_CHANNELS]:
            lines += self._channel(name)
        if len(names) > _CHANNELS and not self._in_full:
            lines.append(f"and {len(names) - _CHANNELS} channels more (ask for this rule alone: --rule)")
        return lines

    def _channel(self, name: str) -> list[str]:
        readings = self._now.readings.get(name)
        if not readings:
            return [f"{name}: nothing yet"]
        *before, last = readings
        quantity = self._plant.channels[name].quantity
        line = f"{name}: {self._reading(last, quantity)} at {self._now.ago(last.time_ms)}, {_quality(last)}"
        if before:
            line += f"; before it {', '.join(self._reading(one, quantity) for one in reversed(before))}"
        gate = self._plant.channels[name].gate
        return [line] if gate is None else [line, f"{name}'s gate: {self._gate(name, gate)}"]

    @staticmethod
    def _reading(reading: Reading, quantity: str) -> str:
        return f"{_BOUNDS[reading.bound]}{shown(reading.value, quantity)}"

    def _gate(self, name: str, gate: Gate) -> str:
        known = self._state.channels.get(name)
        state = known.gate if known is not None and known.gate is not None else GateState()
        source = gate.flow or name
        said = says(gate, state, self._now.at_ms, trusted_for_ms(self._plant, source))
        opens = f"after {span(gate.minutes)}" + (f" or {gate.litres}" if gate.litres is not None else "")
        if said is Flowing.UNKNOWN:
            heard = f"last word at {self._now.ago(state.seen_ms)}" if state.seen_ms else "nothing heard yet"
            return f"unknown, since nothing fresh says whether water runs ({source}: {heard})"
        if state.running_since_ms is None:
            return f"closed: no water ran; it opens {opens} of running water"
        ran = f"water has run for {span(self._now.at_ms - state.running_since_ms)}, {state.litres:.0f} L"
        return f"open: {ran}" if said is Flowing.OPEN else f"closed: {ran}; it opens {opens}"

    # ------------------------------------------------------------ what it made of it

    def _figures(self) -> Figures:
        state = self._state.rules.get(self._id)
        if isinstance(self._rule, Explains):
            return self._rule.explain(self._rule.start() if state is None else state, self._now)
        return {found.condition: self._facts(found) for found in self._now.of_rule(self._id)}

    def _facts(self, found: Finding) -> list[str]:
        """The facts a message would have; the plain evidence where the words do not fit it."""
        try:
            facts = self._wordings[self._rule.kind](found.evidence).facts
        except (KeyError, ValueError, TypeError, AssertionError):
            facts = tuple((name.replace("_", " "), str(what)) for name, what in found.evidence.items())
        return [f"{label}: {what}" for label, what in facts]

    # ------------------------------------------------------------ what came of it

    def _came_of(self, condition: str, found: Finding | None, alarm: Alarm | None) -> list[str]:
        now, settings = self._now, self._rule.settings
        lines = []
        if found is not None:
            says_so = "holds" if found.holds else "does not hold"
            since = f", since {now.ago(found.since_ms)}" if found.holds else ""
            lines.append(
                f"it {says_so}{since}, {found.confidence:.0%} sure; said at {now.ago(found.time_ms)}"
            )
        if alarm is None:
            return [*lines, "no alarm"]
        if alarm.state in _STANDING:
            lines.append(f"alarm #{alarm.occurrence}: {_STATES[alarm.state]}{self._heard_by(alarm)}")
            if alarm.chattering:
                lines.append("it came and went so often that it is latched until it is calm")
            elif not alarm.holds and alarm.state in ACTIVE:
                at_ms = alarm.changed_ms + settings.off_delay
                lines.append(
                    f"off_delay {span(settings.off_delay)}: it returns at {now.clock(at_ms)} if it stays so"
                )
        elif alarm.holds:
            at_ms = alarm.changed_ms + settings.on_delay
            lines.append(
                f"no alarm yet, on_delay {span(settings.on_delay)}: it is one at {now.clock(at_ms)} "
                "if it goes on"
            )
        elif alarm.state is AlarmState.RETURNED:
            lines.append(f"alarm #{alarm.occurrence} has returned, and was not acknowledged")
        else:
            lines.append(f"no alarm; {alarm.occurrence} before" if alarm.occurrence else "no alarm")
        return lines + self._kept_back(alarm)

    def _heard_by(self, alarm: Alarm) -> str:
        return "" if alarm.silence is not None else f"; told to {self._told(alarm)}"

    def _kept_back(self, alarm: Alarm) -> list[str]:
        """Why nobody is told, where something keeps the alarm back."""
        whys = (
            ("shelved", alarm.shelf),
            ("suppressed by design", alarm.suppression),
            ("out of service", alarm.service),
        )
        lines = []
        for what, silence in whys:
            if silence is not None:
                until = f" until {self._now.clock(silence.until_ms)}" if silence.until_ms else ""
                why = f": {silence.why}" if silence.why else ""
                lines.append(
                    f"nobody is told: {what} by {silence.by or 'somebody'} since "
                    f"{self._now.clock(silence.since_ms)}{until}{why}"
                )
        return lines

    def _told(self, alarm: Alarm) -> str:
        people = [p for p in self._plant.person if wants(p.priorities, alarm.priority)]
        return ", ".join(person.name for person in people or self._plant.person)


def _quality(reading: Reading) -> str:
    """What a reading is worth, in words."""
    reasons = ", ".join(words(reading.reasons))
    level = reading.level.name.lower() + (f" ({reasons})" if reasons else "")
    if reading.standing is not Standing.JUDGED:
        return f"{level}; {_STANDINGS[reading.standing]}"
    return level if reading.level is not Level.BAD else f"{level}; says nothing of the water"
