"""Rule `not-judged`: a probe whose gate has let nothing through for a day, though water was made, or at all.

A gate that stays closed looks like good water. This rule tells that nothing is being said about it, since
when, and which of the causes it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import DurationMs, Id, RefersTo
from monitor.plant.gate import Gate
from monitor.plant.model import Channel, Plant
from monitor.readings import Bound, Evidence, Finding, Level, Reading, Standing, Tick, Wording
from monitor.rules.explaining import Figures, Moment
from monitor.rules.rule import AWAY_MS, RuleSettings, number, plant_channel, span, text

_DAY_MS = 86_400_000
# Water is said to run up to this long after the last value that said so.
_LONGEST_STEP_MS = 900_000
# So much water, in minutes of running, would have opened any gate: twice its minutes, or this; and a probe
# that speaks seldom has been heard in it so often.
_LEAST_RAN_MS = 600_000
_LEAST_VALUES = 2


class Settings(RuleSettings):
    """`kind = "not-judged"`."""

    kind: Literal["not-judged"]
    channels: Annotated[
        tuple[Id, ...],
        RefersTo("channel"),
        Field(description="the channels watched, each with a gate; empty means all that have one"),
    ] = ()
    after: Annotated[
        DurationMs, Field(description="told when nothing was judged for so long and water was made meanwhile")
    ] = _DAY_MS
    at_all: Annotated[
        DurationMs, Field(description="told when nothing was judged for so long, water or none")
    ] = 7 * _DAY_MS


@dataclass(frozen=True, slots=True)
class Water:
    """What a flow meter or contact has said of water running, in all."""

    seen_ms: int = 0
    since_ms: int | None = None
    ran_ms: int = 0
    runs: int = 0
    last_run_ms: int = 0


@dataclass(frozen=True, slots=True)
class Probe:
    """When a channel was last judged, and what has come of it since."""

    judged_ms: int = 0
    heard_ms: int = 0
    heard: int = 0
    heard_running: int = 0
    bad: int = 0
    before: Mapping[str, tuple[int, int]] = field(default_factory=dict)  # ran_ms and runs of each signal then


@dataclass(frozen=True, slots=True)
class State:
    """The probes, and what says that water runs."""

    probes: Mapping[str, Probe] = field(default_factory=dict)
    water: Mapping[str, Water] = field(default_factory=dict)
    listening_ms: int = 0
    last_tick_ms: int = 0

    version = 1


class NotJudged:
    """One configured watch over gates that stay closed."""

    kind = "not-judged"

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        for name in settings.channels:
            if plant.channels[plant_channel(plant, name, "channels")].gate is None:
                raise ValueError(
                    f'channels: "{name}" has no gate, so all its values are judged; leave it out'
                )
        self._zone = ZoneInfo(plant.site.timezone)
        self._gated: dict[str, Gate] = {
            c.id: c.gate
            for c in plant.channels.values()
            if c.gate is not None and (not settings.channels or c.id in settings.channels)
        }
        self._where = {name: plant.place_of(name) for name in self._gated}
        self._what = {name: plant.span_words(name) for name in self._gated}
        self._interval_ms = {name: plant.interval_of(name) for name in self._gated}
        self._signals = {name: _signals(gate) for name, gate in self._gated.items()}
        self._above = _thresholds(plant.channels, self._gated.values())
        self.channels = frozenset({*self._gated, *self._above})
        self.remembers_days = 1 + -(-max(settings.after, settings.at_all) // _DAY_MS)

    def start(self) -> State:
        return State()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        name = reading.channel
        if name in self._above and reading.level != Level.BAD and not reading.again:
            water = _ran(state.water.get(name) or Water(), reading.time_ms, reading.value > self._above[name])
            state = replace(state, water={**state.water, name: water})
        if name in self._gated:
            state = replace(state, probes={**state.probes, name: self._heard(state, reading)})
        return state, ()

    def _heard(self, state: State, reading: Reading) -> Probe:
        name = reading.channel
        probe = state.probes.get(name) or Probe()
        if reading.standing == Standing.JUDGED and (reading.usable or reading.bound != Bound.EXACT):
            # What is judged afterwards is judged now, whenever it was read.
            judged_ms = max(state.last_tick_ms, reading.time_ms) if reading.again else reading.time_ms
            water = {s: state.water.get(s) or Water() for s in self._signals[name]}
            return Probe(judged_ms, reading.time_ms, before={s: (w.ran_ms, w.runs) for s, w in water.items()})
        return replace(
            probe,
            heard_ms=reading.time_ms,
            heard=probe.heard + 1,
            heard_running=probe.heard_running + self._runs(state, name, reading.time_ms),
            bad=probe.bad + (reading.standing == Standing.JUDGED),
        )

    def _runs(self, state: State, name: str, at_ms: int) -> bool:
        waters = (state.water.get(signal) for signal in self._signals[name])
        return any(
            w is not None and w.since_ms is not None and at_ms - w.seen_ms <= _LONGEST_STEP_MS for w in waters
        )

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        # What the watch missed while it was away nobody could judge.
        if not 0 <= tick.time_ms - state.last_tick_ms <= AWAY_MS:
            state = replace(state, listening_ms=tick.time_ms)
        state = replace(state, last_tick_ms=tick.time_ms)
        return state, tuple(self._judge(state, name, tick.time_ms) for name in self._gated)

    def _judge(self, state: State, name: str, now_ms: int) -> Finding:
        probe, gate = state.probes.get(name) or Probe(), self._gated[name]
        waited_ms = now_ms - max(probe.judged_ms, state.listening_ms)
        water = self._since(state, name, probe)
        opens_ms = max(_LEAST_RAN_MS, 2 * gate.minutes)
        made = water.ran_ms >= opens_ms + _LEAST_VALUES * self._interval_ms[name]
        # A probe that says nothing is no matter of its gate.
        holds = probe.heard > 0 and (
            (made and waited_ms > self.settings.after) or waited_ms > self.settings.at_all
        )
        since_ms = probe.judged_ms or state.listening_ms
        local = datetime.fromtimestamp(probe.judged_ms / 1000, self._zone)
        return Finding(
            condition=f"{self.settings.id}/{name}",
            subject=name,
            holds=holds,
            time_ms=now_ms,
            since_ms=since_ms,
            confidence=0.95,
            evidence={
                "channel": name,
                "what": self._what[name],
                "where": self._where[name],
                "since": f"{local:%Y-%m-%d %H:%M}" if probe.judged_ms else "",
                "waited_ms": waited_ms,
                "cause": _cause(probe, water, gate, made=made),
                "ran_ms": water.ran_ms,
                "runs": water.runs,
                "last_run_ms": water.last_run_ms,
                "minutes_ms": gate.minutes,
                "litres": None if gate.litres is None else str(gate.litres),
                "signals": list(self._signals[name]),
                "flow": gate.flow or "",
                "running": gate.running or "",
                "values": probe.heard,
                "values_running": probe.heard_running,
                "values_bad": probe.bad,
                "interval_ms": self._interval_ms[name],
            },
        )

    def explain(self, state: State, now: Moment) -> Figures:
        """Of each gate when it last let something through, and the water since, beside what is allowed."""
        return {
            f"{self.settings.id}/{name}": self._told(state, name, probe, now)
            for name, probe in state.probes.items()
            if name in self._gated
        }

    def _told(self, state: State, name: str, probe: Probe, now: Moment) -> list[str]:
        water, gate = self._since(state, name, probe), self._gated[name]
        judged = f"last judged at {now.ago(probe.judged_ms)}" if probe.judged_ms else "never judged yet"
        return [
            f"{judged}; {probe.heard} values since, {probe.heard_running} of them while water ran",
            f"told after {span(self.settings.after)} if water ran for "
            f"{span(max(_LEAST_RAN_MS, 2 * gate.minutes))}, after {span(self.settings.at_all)} in any case",
            f"water since: {span(water.ran_ms)} in {water.runs} runs, the last of {span(water.last_run_ms)}",
        ]

    def _since(self, state: State, name: str, probe: Probe) -> Water:
        """The water that ran since the channel was last judged, by whoever saw most of it."""
        found = [Water()]
        for signal in self._signals[name]:
            water = state.water.get(signal) or Water()
            ran_ms, runs = probe.before.get(signal, (0, 0))
            found.append(replace(water, ran_ms=water.ran_ms - ran_ms, runs=water.runs - runs))
        return max(found, key=lambda water: water.ran_ms)


def _signals(gate: Gate) -> tuple[str, ...]:
    return tuple(name for name in (gate.flow, gate.running) if name is not None)


def _thresholds(channels: Mapping[str, Channel], gates: Iterable[Gate]) -> dict[str, float]:
    """Each channel that says when water runs, with the value above which it does."""
    found: dict[str, float] = {}
    for gate in gates:
        for name in _signals(gate):
            above = gate.above.canonical("flow") if channels[name].quantity == "flow" else 0.5
            found[name] = min(above, found.get(name, above))
    return found


def _ran(water: Water, time_ms: int, runs: bool) -> Water:
    """After a value of a signal; between two values the earlier one holds."""
    step_ms = min(max(time_ms - water.seen_ms, 0), _LONGEST_STEP_MS) if water.since_ms is not None else 0
    water = replace(water, seen_ms=time_ms, ran_ms=water.ran_ms + step_ms)
    if not runs:
        if water.since_ms is None:
            return water
        return replace(water, since_ms=None, last_run_ms=time_ms - water.since_ms)
    if water.since_ms is not None:
        return water
    return replace(water, since_ms=time_ms, runs=water.runs + 1)


def _cause(probe: Probe, water: Water, gate: Gate, *, made: bool) -> str:
    if not made:
        return "no-water"
    if probe.bad:
        return "bad"
    if probe.heard_running == 0:
        return "seldom"
    return "short" if 0 < water.last_run_ms < gate.minutes else "closed"


def build(settings: Settings, plant: Plant) -> NotJudged:
    """The rule for this plant.

    Raises: ValueError naming a channel that the plant does not have or that has no gate.
    """
    return NotJudged(settings, plant)


def wording(evidence: Evidence) -> Wording:
    """That nothing is known of the water there, why, and what to do about it."""
    where, what, cause = text(evidence, "where"), text(evidence, "what"), text(evidence, "cause")
    since = text(evidence, "since") or "the watch began"
    facts = [
        ("nothing judged for", span(number(evidence, "waited_ms"))),
        (
            "water ran meanwhile",
            f"{span(number(evidence, 'ran_ms'))} in {number(evidence, 'runs'):.0f} runs",
        ),
        ("values received", f"{number(evidence, 'values'):.0f}"),
        ("judged after", _opens(evidence)),
    ]
    return Wording(
        first_line=f"{where}: {what} not judged since {since}",
        facts=tuple(facts),
        meaning=f"Nothing has been said about the water at {where} since {since}: no news is not good news. "
        + _CAUSES[cause].format(
            ran=span(number(evidence, "ran_ms")),
            run=span(number(evidence, "last_run_ms")),
            opens=_opens(evidence),
            every=span(number(evidence, "interval_ms")),
            flow=text(evidence, "flow") or "its own course",
        ),
        steps=(
            "Read the value by hand once the water has run for ten minutes, and judge the water by it.",
            *_STEPS[cause],
        ),
        cautions=("Mains power and water: have a qualified person open any enclosure.",),
    )


_CAUSES = {
    "no-water": "No water was seen to be made at all. Either none was, or {flow} is dead and nothing vouches "
    "for it.",
    "bad": "Water ran and the gate was open, but every value was bad: the instrument reports a fault or "
    "shows what cannot be.",
    "seldom": "Water ran for {ran}, but the probe said nothing while it did: it speaks every {every}.",
    "short": "Runs are too short: the last one took {run}, and the gate opens after {opens}. They were also "
    "too short, or the probe too slow, for their last third to be judged.",
    "closed": "Water ran for {ran}, and the gate did not open: its signals disagree, or come and go.",
}
_STEPS: dict[str, tuple[str, ...]] = {
    "no-water": (
        "If water was made: look at the flow meter's paddle, cable and supply; does its own display move?",
        "Name a run contact or the tank's level in the gate (`running`, `tank`): they show a dead meter.",
        "If the plant was shut down, acknowledge with that comment.",
    ),
    "bad": (
        "Look at the instrument's own display: fault, broken cable, air at the probe?",
        "`goodwater readings` shows the reason beside each value.",
    ),
    "seldom": ("Have the probe send more often than a run lasts, once a minute at least.",),
    "short": (
        "Give the gate fewer minutes or litres: those that flush the pipe between stage and probe.",
        "Or let the plant run longer and less often; that is better for a membrane, too.",
    ),
    "closed": (
        "`goodwater readings` shows flow and contact of the last run: does the flow stay above the gate's "
        "`above`?",
    ),
}


def _opens(evidence: Evidence) -> str:
    minutes = span(number(evidence, "minutes_ms"))
    return f"{text(evidence, 'litres')} or {minutes}" if evidence.get("litres") else minutes
