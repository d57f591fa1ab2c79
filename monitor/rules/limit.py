"""Rule `limit`: a value beyond a fixed limit, with a deadband against chatter.

The plainest rule, and what most shops have today. It knows nothing of the water's feed or history beyond a
slow average it shows as "usual".
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from monitor.frozen import replace
from monitor.plant.fields import Id, MeasureField, RefersTo
from monitor.plant.model import Plant
from monitor.plant.units import UnitError, shown
from monitor.readings import (
    Bound,
    Evidence,
    Finding,
    Level,
    Priority,
    Reading,
    Reason,
    Standing,
    Tick,
    Wording,
    words,
)
from monitor.rules.advice import cautions_for, steps_beyond_limit
from monitor.rules.explaining import Figures, Moment, measured
from monitor.rules.rule import RuleSettings, number, plant_channel, stage_kind_at, text

# Time constant of the average shown as "usual".
_USUAL_MS = 7 * 86_400_000


class Settings(RuleSettings):
    """`kind = "limit"`: exactly one of `above` and `below`."""

    kind: Literal["limit"]
    channel: Annotated[Id, RefersTo("channel"), Field(description="the channel judged")]
    above: Annotated[MeasureField | None, Field(description="too high beyond this value")] = None
    below: Annotated[MeasureField | None, Field(description="too low under this value")] = None
    deadband: Annotated[
        MeasureField | None, Field(description="how far back inside the value must come to be well again")
    ] = None
    worse: Annotated[
        MeasureField | None,
        Field(description="materially worse beyond this: an alarm that stands speaks again"),
    ] = None
    worse_priority: Annotated[
        Priority | None, Field(description="how urgent it is beyond `worse`; by default as urgent as before")
    ] = None

    @model_validator(mode="after")
    def _one_side(self) -> Settings:
        if (self.above is None) == (self.below is None):
            raise ValueError('a limit is either `above` or `below`, like above = "20 uS/cm"')
        return self


@dataclass(frozen=True, slots=True)
class State:
    """Whether the limit is passed, since when, and what is usual."""

    holds: bool = False
    since_ms: int = 0
    usual: float | None = None
    last_ms: int = 0

    version = 1


class Limit:
    """One configured limit, everything in the canonical unit of its channel's quantity."""

    kind = "limit"
    remembers_days = 21  # three times the time constant of "usual"

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        name = plant_channel(plant, settings.channel, "channel")
        self._channel = plant.channels[name]
        self._quantity = self._channel.quantity
        self._high_is_bad = settings.above is not None
        limit = settings.above if settings.above is not None else settings.below
        assert limit is not None
        self.limit = _canonical("above" if self._high_is_bad else "below", limit.canonical, self._quantity)
        deadband = settings.deadband
        self.deadband = (
            0.0 if deadband is None else _canonical("deadband", deadband.difference, self._quantity)
        )
        if self.deadband < 0:
            raise ValueError("deadband must not be negative")
        self._worse = self._further_out(settings)
        self._where = plant.place_of(name)
        self._what = plant.span_words(name)
        self._stage = stage_kind_at(plant, name)
        self.channels = self.rests_on = frozenset({name})

    def _further_out(self, settings: Settings) -> float | None:
        """The second limit, which lies beyond the first."""
        if settings.worse is None:
            if settings.worse_priority is not None:
                raise ValueError("worse_priority needs `worse`, the value beyond which it holds")
            return None
        worse = _canonical("worse", settings.worse.canonical, self._quantity)
        if (worse <= self.limit) if self._high_is_bad else (worse >= self.limit):
            side = "above" if self._high_is_bad else "below"
            raise ValueError(f"worse must lie {side} the limit, {shown(self.limit, self._quantity)}")
        return worse

    def start(self) -> State:
        return State()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        return state, ()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        beyond_stop = self._beyond_stop(reading)
        if not beyond_stop and (not reading.usable or reading.reasons & Reason.JUMP):
            return state, ()
        holds = beyond_stop or self._is_beyond(reading.value, held=state.holds)
        since_ms = reading.time_ms if holds != state.holds or state.since_ms == 0 else state.since_ms
        since_ms = min(since_ms, reading.time_ms)  # the clock may have been set back
        usual = state.usual if holds else self._usual(state, reading)
        state = replace(state, holds=holds, since_ms=since_ms, usual=usual, last_ms=reading.time_ms)
        worse = holds and self._is_worse(reading.value)
        finding = Finding(
            condition=self.settings.id,
            subject=reading.channel,
            holds=holds,
            time_ms=reading.time_ms,
            since_ms=since_ms,
            confidence=self._confidence(reading, holds),
            evidence=self._evidence(state, reading),
            priority=self.settings.worse_priority if worse else None,
            grade=int(worse),
            rests_on=() if beyond_stop else None,
        )
        return state, (finding,)

    def _beyond_stop(self, reading: Reading) -> bool:
        """At the end of its range in the dangerous direction a bad value is still evidence."""
        dangerous = Bound.AT_LEAST if self._high_is_bad else Bound.AT_MOST
        return (
            reading.standing == Standing.JUDGED
            and reading.bound == dangerous
            and self._is_beyond(reading.value, held=False)
        )

    def _is_beyond(self, value: float, *, held: bool) -> bool:
        deadband = self.deadband if held else 0.0
        return value > self.limit - deadband if self._high_is_bad else value < self.limit + deadband

    def _is_worse(self, value: float) -> bool:
        if self._worse is None:
            return False
        return value > self._worse if self._high_is_bad else value < self._worse

    def _usual(self, state: State, reading: Reading) -> float:
        if state.usual is None:
            return reading.value
        weight = 1 - math.exp(-max(0, reading.time_ms - state.last_ms) / _USUAL_MS)
        return state.usual + weight * (reading.value - state.usual)

    def _confidence(self, reading: Reading, holds: bool) -> float:
        """How sure the true value is on the side it seems to be: the accuracy read as two sigma."""
        if reading.bound != Bound.EXACT:
            return 0.95
        accuracy = self._channel.accuracy.at(reading.value, self._quantity, self._channel.canonical_range[1])
        sigma = max(accuracy, self._channel.canonical_resolution) / 2
        margin = abs(reading.value - self.limit)
        sure = 0.5 * (1 + math.erf(margin / sigma / math.sqrt(2))) if holds else 0.99
        ceiling = 0.7 if reading.level == Level.UNCERTAIN else 0.99
        return round(min(sure, ceiling), 3)

    def explain(self, state: State, now: Moment) -> Figures:
        """The value it last judged beside its limit, and why a later one was not judged."""
        side = "above" if self._high_is_bad else "below"
        limit = shown(self.limit, self._quantity)
        evidence = now.evidence(self.settings.id)
        lines = [f"{side} {limit} is too much" if self._high_is_bad else f"{side} {limit} is too little"]
        if evidence:
            value = measured(evidence, "value", self._quantity)
            lines.append(f"last judged: {value}, at {now.ago(state.last_ms)}")
        if state.usual is not None:
            lines.append(f"usual while the limit is kept: {shown(state.usual, self._quantity)}")
        if state.holds and self.deadband:
            back = self.limit - self.deadband if self._high_is_bad else self.limit + self.deadband
            lines.append(f"well again only beyond the deadband, at {shown(back, self._quantity)}")
        waiting = [r for r in now.readings.get(self._channel.id, ()) if r.time_ms > state.last_ms]
        for r in waiting:
            lines.append(f"{shown(r.value, self._quantity)} at {now.clock(r.time_ms)}: {_why_not(r)}")
        return {self.settings.id: lines}

    def _evidence(self, state: State, reading: Reading) -> Evidence:
        return {
            "channel": reading.channel,
            "what": self._what,
            "where": self._where,
            "stage": self._stage,
            "quantity": self._quantity,
            "value": reading.value,
            "bound": reading.bound.name.lower(),
            "limit": self.limit,
            "side": "above" if self._high_is_bad else "below",
            "usual": state.usual,
            "reasons": int(reading.reasons),
            **({} if self._worse is None else {"worse": self._worse}),
        }


def _why_not(reading: Reading) -> str:
    """Why a reading was not judged."""
    if reading.standing is Standing.GATED:
        return "not judged, the gate was not open"
    if reading.usable and reading.reasons & Reason.JUMP:
        return "not judged, so large a step waits for the next value to confirm it"
    return "not judged, " + (", ".join(words(reading.reasons)) or reading.standing.name.lower())


def build(settings: Settings, plant: Plant) -> Limit:
    """The rule for this plant.

    Raises: ValueError naming the key that does not fit the plant and what would.
    """
    return Limit(settings, plant)


def wording(evidence: Evidence) -> Wording:
    """What passing the limit means, and what to do, in the order a technician would."""
    quantity, side = text(evidence, "quantity"), text(evidence, "side")
    value = shown(number(evidence, "value"), quantity)
    limit = shown(number(evidence, "limit"), quantity)
    bound = {"at_least": "at least ", "at_most": "at most "}.get(text(evidence, "bound"), "")
    where, what = text(evidence, "where"), text(evidence, "what")
    facts = [("value", f"{bound}{value}"), ("limit", f"{side} {limit}")]
    if evidence.get("worse") is not None:
        facts.append(("materially worse", f"{side} {shown(number(evidence, 'worse'), quantity)}"))
    if evidence.get("usual") is not None:
        facts.append(("usual", shown(number(evidence, "usual"), quantity)))
    meaning = f"The {what} is {side} the limit set for it."
    if bound:
        meaning += " The instrument stands at the end of its range, so the true value may lie further out."
    return Wording(
        first_line=f"{where}: {quantity} {bound}{value}, {side} {limit}",
        facts=tuple(facts),
        meaning=meaning,
        steps=steps_beyond_limit(quantity, text(evidence, "stage"), side),
        cautions=cautions_for(text(evidence, "stage")),
    )


def _canonical(key: str, convert: Callable[[str], float], quantity: str) -> float:
    try:
        return convert(quantity)
    except UnitError as error:
        raise ValueError(f"{key}: {error}") from error
