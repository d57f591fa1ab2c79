"""Rule `instrument`: faults of the instruments themselves.

Four kinds, each with alarms of its own: a flow meter that stands at zero while water is made
(`RULE/flow-meter/CHANNEL`), a clock that is wrong (`RULE/clock/INSTRUMENT`), a value said to stand at 25 °C
that follows the temperature (`RULE/compensation/CHANNEL`), and what an instrument says of itself, broken
wires included (`RULE/fault/CHANNEL`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import DurationMs, Id, RefersTo
from monitor.plant.model import Plant
from monitor.readings import Finding, Reading, Stamp, Tick
from monitor.rules.explaining import Figures, Moment
from monitor.rules.instrument.clock import Clocks, ClockSeen
from monitor.rules.instrument.compensated import Compensated, Followed
from monitor.rules.instrument.fault import Faults, Faulty
from monitor.rules.instrument.flow_meter import FlowMeters, Meter
from monitor.rules.instrument.verdict import Part, Verdict, Watched
from monitor.rules.rule import RuleSettings


class Settings(RuleSettings):
    """`kind = "instrument"`."""

    kind: Literal["instrument"]
    instruments: Annotated[
        tuple[Id, ...], RefersTo("instrument"), Field(description="the instruments watched; empty means all")
    ] = ()
    watch_for: Annotated[
        tuple[Watched, ...],
        Field(min_length=1, description="what is told; two rules can give each its own priority"),
    ] = ("flow-meter", "clock", "compensation", "fault")
    clock_off: Annotated[DurationMs, Field(description="a clock that is off by more than this is told")] = (
        120_000
    )


@dataclass(frozen=True, slots=True)
class State:
    """What each kind of fault remembers, and the conditions that were told."""

    meters: Mapping[str, Meter] = field(default_factory=dict)
    clocks: Mapping[str, ClockSeen] = field(default_factory=dict)
    followed: Followed = field(default_factory=lambda: Followed({}, {}))
    faulty: Mapping[str, Faulty] = field(default_factory=dict)
    told: Mapping[str, int] = field(default_factory=dict)  # condition: 0, or when it was seen to be gone

    version = 1


class Instrument:
    """One configured watch over instruments."""

    kind = "instrument"
    remembers_days = 28  # twice the half-life of what temperature has shown

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        known = [instrument.id for instrument in plant.instrument]
        for name in settings.instruments:
            if name not in known:
                there = ", ".join(known)
                raise ValueError(f'instruments: "{name}" is no instrument of this site; there are: {there}')
        watched, wanted = frozenset(settings.instruments or known), settings.watch_for
        self._clocks = Clocks(plant, watched, settings.clock_off)
        # Each kind of fault with the field of the state that is its own.
        parts: tuple[tuple[Watched, str, Part], ...] = (
            ("fault", "faulty", Faults(plant, watched)),
            ("flow-meter", "meters", FlowMeters(plant, watched)),
            ("clock", "clocks", self._clocks),
            ("compensation", "followed", Compensated(plant, watched)),
        )
        self._by_channel: dict[str, list[tuple[Watched, str, Part]]] = {}
        self._parts = [one for one in parts if one[0] in wanted]
        for one in self._parts:
            for channel in one[2].channels:
                self._by_channel.setdefault(channel, []).append(one)
        self._hears_clocks = "clock" in wanted
        self.channels = frozenset(self._by_channel)

    def start(self) -> State:
        return State()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        return state, ()

    def on_stamp(self, state: State, stamp: Stamp) -> tuple[State, tuple[Finding, ...]]:
        """A clock that is far off is seen by just those times that no reading in order carries."""
        if not self._hears_clocks or stamp.channel not in self._clocks.channels:
            return state, ()
        told = self._told(state, "clock", self._clocks.subject(stamp.channel))
        clocks, verdict = self._clocks.on_stamp(state.clocks, stamp, told=told)
        if clocks is not state.clocks:
            state = replace(state, clocks=clocks)
        return self._found(state, () if verdict is None else (verdict,))

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if reading.again:
            return state, ()
        verdicts = []
        for part, kept, watching in self._by_channel.get(reading.channel, ()):
            before = getattr(state, kept)
            told = self._told(state, part, watching.subject(reading.channel))
            after, verdict = watching.on_reading(before, reading, told=told)
            if after is not before:
                state = replace(state, **{kept: after})
            if verdict is not None:
                verdicts.append(verdict)
        return self._found(state, verdicts)

    def explain(self, state: State, now: Moment) -> Figures:
        """What each instrument and channel has shown so far, beside what it takes to be told."""
        return {
            self._condition(part, subject): lines
            for part, kept, watching in self._parts
            for subject, lines in watching.figures(getattr(state, kept), now).items()
        }

    def _condition(self, part: Watched, subject: str) -> str:
        return f"{self.settings.id}/{part}/{subject}"

    def _told(self, state: State, part: Watched, subject: str) -> bool:
        return bool(state.told) and self._condition(part, subject) in state.told

    def _found(self, state: State, verdicts: Iterable[Verdict]) -> tuple[State, tuple[Finding, ...]]:
        """Findings of what holds, and of what was told and is gone, for as long as its alarm settles."""
        findings = []
        for verdict in verdicts:
            condition = self._condition(verdict.part, verdict.subject)
            if verdict.holds:
                if state.told.get(condition) != 0:
                    state = replace(state, told={**state.told, condition: 0})
            elif condition not in state.told:
                continue
            elif state.told[condition] == 0:
                state = replace(state, told={**state.told, condition: verdict.at_ms})
            elif verdict.at_ms - state.told[condition] > self.settings.off_delay:
                state = replace(state, told={c: t for c, t in state.told.items() if c != condition})
            findings.append(
                Finding(
                    condition=condition,
                    subject=verdict.subject,
                    holds=verdict.holds,
                    time_ms=verdict.at_ms,
                    since_ms=min(verdict.since_ms, verdict.at_ms),
                    confidence=verdict.confidence,
                    evidence={"part": verdict.part, **verdict.evidence},
                    # A clock that is wrong, or a compensation, does not make a value worthless.
                    distrusts=(verdict.subject,) if verdict.part in ("fault", "flow-meter") else (),
                )
            )
        return state, tuple(findings)


def build(settings: Settings, plant: Plant) -> Instrument:
    """The rule for this plant.

    Raises: ValueError naming an instrument the plant does not have.
    """
    return Instrument(settings, plant)
