"""Rule `rate`: a value that changes by more than so much in an hour, a day, a week.

Held against each other are two stretches of the channel's own values, one such time apart, each worth the
median of its medians: neither the last digit nor one wild value makes a rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Annotated, Literal

from pydantic import Field, model_validator

from monitor.frozen import replace
from monitor.plant.fields import Id, MeasureField, PositiveDurationMs, RefersTo
from monitor.plant.model import Plant
from monitor.plant.units import UnitError, shown
from monitor.readings import Bound, Evidence, Finding, Level, Reading, Reason, Standing, Tick, Wording
from monitor.rules.advice import cautions_for, steps_beyond_limit
from monitor.rules.explaining import Figures, Moment
from monitor.rules.rule import RuleSettings, number, plant_channel, span, stage_kind_at, text

# The time is cut into so many parts; three of them at either end are held against each other.
_PARTS = 12
_END = 3
_FEWEST = 2  # parts of an end that must hold a value
_VALUES = 16  # kept of one part
# What holds lets go at this share of the limit, so that a rate at the limit does not chatter.
_LET_GO = 0.5
# A change of so few counts may be the last digit's.
_COUNTS = 2.0
# Spread of single medians about their end, as normal deviates: median to standard deviation.
_MAD = 1.4826


class Settings(RuleSettings):
    """`kind = "rate"`: exactly one of `rises` and `falls`."""

    kind: Literal["rate"]
    channel: Annotated[Id, RefersTo("channel"), Field(description="the channel judged")]
    rises: Annotated[MeasureField | None, Field(description="too fast beyond this rise")] = None
    falls: Annotated[MeasureField | None, Field(description="too fast beyond this fall")] = None
    per: Annotated[
        PositiveDurationMs, Field(description="the time in which it may change by so much: an hour, a day")
    ] = 86_400_000

    @model_validator(mode="after")
    def _one_way(self) -> Settings:
        if (self.rises is None) == (self.falls is None):
            raise ValueError('a rate is either `rises` or `falls`, like rises = "20 uS/cm" with per = "1 h"')
        return self


@dataclass(frozen=True, slots=True)
class Part:
    """The values of one part of the time; its number is that of parts since 1970."""

    number: int
    last_ms: int = 0
    values: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class State:
    """The parts of the last time, oldest first, and whether the rate is passed, since when."""

    parts: tuple[Part, ...] = ()
    holds: bool = False
    since_ms: int = 0
    sure: bool = True  # the last value was

    version = 1


@dataclass(frozen=True, slots=True)
class _Change:
    """Both ends, and how far one median of a part lies from its end."""

    before: float
    now: float
    spread: float

    @property
    def size(self) -> float:
        return self.now - self.before


class Rate:
    """One configured rate, everything in the canonical unit of its channel's quantity."""

    kind = "rate"

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        name = plant_channel(plant, settings.channel, "channel")
        self._channel = plant.channels[name]
        self._quantity = self._channel.quantity
        self._rises = settings.rises is not None
        key, allowed = ("rises", settings.rises) if self._rises else ("falls", settings.falls)
        assert allowed is not None
        try:
            self.limit = allowed.difference(self._quantity)
        except UnitError as error:
            raise ValueError(f"{key}: {error}") from error
        least = _COUNTS * self._channel.canonical_resolution
        if self.limit < least:
            raise ValueError(
                f"{key} must be at least two of the channel's last digits, {shown(least, self._quantity)}"
            )
        self._part_ms = max(settings.per // _PARTS, 1)
        interval_ms = plant.interval_of(name)
        if self._part_ms < interval_ms:
            raise ValueError(
                f'per = "{span(settings.per)}" is too short for a channel that speaks every '
                f"{span(interval_ms)}: {_PARTS} of its values at least make a rate, so "
                f'"{span(_PARTS * interval_ms)}" or more'
            )
        self._where = plant.place_of(name)
        self._what = plant.span_words(name)
        self._stage = stage_kind_at(plant, name)
        self.channels = self.rests_on = frozenset({name})
        self.remembers_days = 1 + -(-2 * settings.per // 86_400_000)

    def start(self) -> State:
        return State()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        return state, ()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not self._says(reading):
            return state, ()
        parts = _with(state.parts, reading, self._part_ms)
        state = replace(state, parts=parts, sure=reading.level != Level.UNCERTAIN)
        change = _change(parts)
        if change is None:
            return state, ()
        holds = self._too_fast(change, held=state.holds)
        if holds != state.holds or not state.since_ms:
            state = replace(state, holds=holds, since_ms=reading.time_ms)
        return state, (self._finding(state, change, reading),)

    def _says(self, reading: Reading) -> bool:
        """At the end of its range in the dangerous direction a bad value is still evidence."""
        beyond = Bound.AT_LEAST if self._rises else Bound.AT_MOST
        if reading.standing == Standing.JUDGED and reading.bound == beyond:
            return True
        return reading.usable and not reading.reasons & Reason.JUMP

    def _too_fast(self, change: _Change, *, held: bool) -> bool:
        size = change.size if self._rises else -change.size
        return size > self.limit * (_LET_GO if held else 1.0)

    def _finding(self, state: State, change: _Change, reading: Reading) -> Finding:
        return Finding(
            condition=self.settings.id,
            subject=reading.channel,
            holds=state.holds,
            time_ms=reading.time_ms,
            since_ms=min(state.since_ms, reading.time_ms),
            confidence=self._confidence(state, change),
            evidence={
                "channel": reading.channel,
                "what": self._what,
                "where": self._where,
                "stage": self._stage,
                "quantity": self._quantity,
                "value": change.now,
                "before": change.before,
                "change": change.size,
                "limit": self.limit,
                "way": "rises" if self._rises else "falls",
                "per_ms": self.settings.per,
            },
        )

    def _confidence(self, state: State, change: _Change) -> float:
        """How sure the true change is beyond the limit, by the spread of the medians at both ends."""
        if not state.holds:
            return 0.9
        sigma = max(change.spread, self._channel.canonical_resolution / 2)
        margin = abs(change.size) - self.limit
        sure = 0.5 * (1 + math.erf(margin / sigma / math.sqrt(2)))
        return round(min(max(sure, 0.5), 0.97 if state.sure else 0.7), 3)

    def explain(self, state: State, now: Moment) -> Figures:
        """Both ends it holds against each other, beside the change allowed."""
        way = "rise" if self._rises else "fall"
        limit = (
            f"a {way} of more than {shown(self.limit, self._quantity)} in {span(self.settings.per)} is told"
        )
        change = _change(state.parts)
        if change is None:
            count, needed = (
                len(state.parts),
                f"{_FEWEST} of {_END} parts of {span(self._part_ms)} at both ends",
            )
            return {
                self.settings.id: [
                    limit,
                    f"too little is known yet: {count} parts hold a value, of which {needed} are needed",
                ]
            }
        ends = f"from {shown(change.before, self._quantity)} to {shown(change.now, self._quantity)}"
        lines = [limit, f"it changed {ends}, by {_signed(change.size, self._quantity)}"]
        if state.holds:
            lines.append(f"lets go below {shown(_LET_GO * self.limit, self._quantity)}")
        return {self.settings.id: lines}


def _with(parts: tuple[Part, ...], reading: Reading, part_ms: int) -> tuple[Part, ...]:
    """The parts after a reading; what is older than both ends is dropped."""
    number_ = reading.time_ms // part_ms
    if parts and number_ < parts[-1].number and not reading.again:
        parts = ()  # the clock was set back
    known = next((part for part in reversed(parts) if part.number == number_), None)
    others = tuple(part for part in parts if part is not known and number_ - part.number < _PARTS + _END)
    part = known or Part(number_)
    if not part.values or reading.time_ms - part.last_ms >= part_ms // _VALUES:
        part = Part(number_, reading.time_ms, (*part.values, reading.value)[-_VALUES:])
    return tuple(sorted((*others, part), key=lambda one: one.number))


def _change(parts: Sequence[Part]) -> _Change | None:
    """Both ends of the last whole time; None while either holds too little."""
    if not parts:
        return None
    last = parts[-1].number
    late = [_middle(part) for part in parts if last - part.number < _END]
    early = [_middle(part) for part in parts if _PARTS <= last - part.number < _PARTS + _END]
    if len(late) < _FEWEST or len(early) < _FEWEST:
        return None
    before, now = _worth(early, late), _worth(late, early)
    spread = _MAD * median([*(abs(v - before) for v in early), *(abs(v - now) for v in late)])
    return _Change(before, now, spread)


def _middle(part: Part) -> float:
    return float(median(part.values))


def _worth(end: Sequence[float], other: Sequence[float]) -> float:
    """What an end is worth: its median; of two values the one nearer to the other end: one may be wild."""
    if len(end) > _FEWEST:
        return float(median(end))
    middle = median(other)
    return min(end, key=lambda value: abs(value - middle))


def _signed(value: float, quantity: str) -> str:
    return f"{'+' if value > 0 else ''}{shown(value, quantity)}"


def build(settings: Settings, plant: Plant) -> Rate:
    """The rule for this plant.

    Raises: ValueError naming the key when the rate does not fit the channel.
    """
    return Rate(settings, plant)


def wording(evidence: Evidence) -> Wording:
    """The change against what is allowed, and what to do about it."""
    where, what, quantity = text(evidence, "where"), text(evidence, "what"), text(evidence, "quantity")
    rises = text(evidence, "way") == "rises"
    moved = shown(abs(number(evidence, "change")), quantity)
    limit, per = shown(number(evidence, "limit"), quantity), span(number(evidence, "per_ms"))
    verb = "risen" if number(evidence, "change") > 0 else "fallen"
    return Wording(
        first_line=f"{where}: {quantity} has {verb} by {moved} in {per}, to "
        f"{shown(number(evidence, 'value'), quantity)}",
        facts=(
            ("now", shown(number(evidence, "value"), quantity)),
            (f"{per} before", shown(number(evidence, "before"), quantity)),
            ("change allowed", f"{'a rise' if rises else 'a fall'} of {limit} in {per}"),
        ),
        meaning=f"The {what} changes faster than is usual for it, though it may still be inside its limits. "
        "Both values are medians, so it is neither the last digit nor one wild value.",
        steps=(
            *steps_beyond_limit(quantity, text(evidence, "stage"), "above" if rises else "below"),
            "Look at what was changed, opened or refilled in this time.",
        ),
        cautions=cautions_for(text(evidence, "stage")),
    )
