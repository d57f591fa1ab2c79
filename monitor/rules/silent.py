"""Rule `silent`: an instrument that no longer says anything, judged by the time of its readings.

A value that arrives late (a backlog after an outage) does not count as speech until it has caught up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import DurationMs, Id, RefersTo
from monitor.plant.model import Instrument, Plant
from monitor.readings import Evidence, Finding, Reading, Tick, Wording
from monitor.rules.explaining import Figures, Moment
from monitor.rules.rule import AWAY_MS, RuleSettings, number, span, text


class Settings(RuleSettings):
    """`kind = "silent"`."""

    kind: Literal["silent"]
    instruments: Annotated[
        tuple[Id, ...], RefersTo("instrument"), Field(description="the instruments watched; empty means all")
    ] = ()
    after: Annotated[
        DurationMs | None,
        Field(
            description="silence allowed; by default three times the instrument's expected interval, "
            "but at least a minute more than one"
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class State:
    """When each channel last spoke, and since when we have been listening."""

    last_ms: Mapping[str, int] = field(default_factory=dict)
    listening_since_ms: int = 0
    last_tick_ms: int = 0

    version = 1


class Silent:
    """One configured watch for silence."""

    kind = "silent"

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        known = {instrument.id: instrument for instrument in plant.instrument}
        for name in settings.instruments:
            if name not in known:
                there = ", ".join(known)
                raise ValueError(f'instruments: "{name}" is no instrument of this site; there are: {there}')
        watched = settings.instruments or tuple(known)
        self._instruments = [known[name] for name in watched]
        self._where = {i.id: plant.place_of(i.channel[0].id) for i in self._instruments}
        self.channels = frozenset(c.id for i in self._instruments for c in i.channel)
        longest_ms = max(self.allowed_ms(instrument) for instrument in self._instruments)
        self.remembers_days = max(7, 1 + -(-longest_ms // 86_400_000))

    def start(self) -> State:
        return State()

    def allowed_ms(self, instrument: Instrument) -> int:
        """How long an instrument may be silent.

        A restart within a minute is not seen as an absence, so less than that and one interval would call a
        quick instrument silent before what it sent meanwhile has come.
        """
        interval = instrument.expected_interval
        return self.settings.after or max(3 * interval, AWAY_MS + interval)

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if reading.again:
            return state, ()
        return replace(state, last_ms={**state.last_ms, reading.channel: reading.time_ms}), ()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        # What the watch missed while it was away is still on its way: everybody gets a full allowance.
        # The same after the clock was set back, and then no stamp of the wrong hour counts as speech.
        if not 0 <= tick.time_ms - state.last_tick_ms <= AWAY_MS:
            spoke = {name: min(at, tick.time_ms) for name, at in state.last_ms.items()}
            state = replace(state, last_ms=spoke, listening_since_ms=tick.time_ms)
        state = replace(state, last_tick_ms=tick.time_ms)
        return state, tuple(self._judge(i, state, tick.time_ms) for i in self._instruments)

    def explain(self, state: State, now: Moment) -> Figures:
        """Of each instrument how long ago it spoke, beside how long it may be silent."""
        return {
            f"{self.settings.id}/{i.id}": [
                *(
                    f"{c.id} last spoke at {now.ago(state.last_ms[c.id])}"
                    if c.id in state.last_ms
                    else f"{c.id} has not spoken since the watch began"
                    for c in i.channel
                ),
                f"silence allowed: {span(self.allowed_ms(i))}, counted from "
                f"{now.clock(state.listening_since_ms)} at the earliest, when the watch began to listen",
            ]
            for i in self._instruments
        }

    def _judge(self, instrument: Instrument, state: State, now_ms: int) -> Finding:
        allowed_ms = self.allowed_ms(instrument)
        last = {c.id: state.last_ms.get(c.id, 0) for c in instrument.channel}
        silent = [
            name for name, at in last.items() if now_ms - max(at, state.listening_since_ms) > allowed_ms
        ]
        last_ms = max((last[name] for name in silent), default=max(last.values()))
        return Finding(
            condition=f"{self.settings.id}/{instrument.id}",
            subject=instrument.id,
            holds=bool(silent),
            time_ms=now_ms,
            since_ms=last_ms or state.listening_since_ms,
            confidence=0.99,
            evidence={
                "instrument": instrument.label,
                "where": self._where[instrument.id],
                "wire": instrument.wire.kind,
                "silent": list(silent),
                "speaking": [name for name in last if name not in silent],
                "last_ms": last_ms or None,
                "silent_for_ms": now_ms - (last_ms or state.listening_since_ms),
                "allowed_ms": allowed_ms,
            },
        )


def build(settings: Settings, plant: Plant) -> Silent:
    """The rule for this plant.

    Raises: ValueError naming an instrument the plant does not have.
    """
    return Silent(settings, plant)


def wording(evidence: Evidence) -> Wording:
    """What silence means: nothing is known of the water there until the instrument speaks again."""
    minutes = number(evidence, "silent_for_ms") / 60_000
    where, instrument = text(evidence, "where"), text(evidence, "instrument")
    silent, speaking = evidence["silent"], evidence["speaking"]
    assert isinstance(silent, list) and isinstance(speaking, list)
    ever = "" if evidence["last_ms"] is not None else " It has not been heard since the watch began."
    facts = [
        ("silent for", _span(minutes)),
        ("allowed", _span(number(evidence, "allowed_ms") / 60_000)),
        ("channels without a value", ", ".join(map(str, silent)) or "none"),
    ]
    if speaking:
        facts.append(("channels still heard", ", ".join(map(str, speaking))))
    return Wording(
        first_line=f"{where}: {instrument} silent for {_span(minutes)}",
        facts=tuple(facts),
        meaning=f"Nothing is known of the water at {where} until it speaks again: no news is not good news."
        + ever,
        steps=(
            "Look at the instrument: is its display on, does it show a plausible value?",
            "Read the value by hand and write it down; judge the water by it until the instrument is back.",
            *_STEPS_BY_WIRE.get(text(evidence, "wire"), ()),
            "`goodwater status` shows which wires are up and what was refused.",
        ),
        cautions=("Mains power and water: have a qualified person open any enclosure.",),
    )


_STEPS_BY_WIRE: dict[str, tuple[str, ...]] = {
    "mqtt": (
        "Check the gateway that publishes it: power, network, and that its topic has not changed.",
        "Check that the broker lets our user read the topic: a forbidden subscription stays silent.",
    ),
    "serial-line": ("Check the serial adapter and cable: plugged in, its light blinking, no loose screw.",),
}


def _span(minutes: float) -> str:
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 72 * 60 else f"{minutes / 1440:.0f} days"
