"""Rule `difference`: two channels that should agree, or stay in an order, and do not.

Values of one time are held against each other. What both instruments may be off together explains a
difference up to that size; beyond it, one of them is wrong, or the water is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Annotated, Literal

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import DurationMs, Id, MeasureField, RefersTo
from monitor.plant.model import Channel, Plant
from monitor.plant.units import UnitError, shown
from monitor.readings import Bound, Evidence, Finding, Level, Reading, Reason, Standing, Tick, Wording
from monitor.rules.advice import cautions_for, steps_beyond_limit
from monitor.rules.explaining import Figures, Moment
from monitor.rules.rule import RuleSettings, number, plant_channel, span, stage_kind_at, text

Expected = Literal["agree", "below", "above"]

_LEAST_WITHIN_MS = 900_000
# A hand meter is read beside the instrument, but the time is written down afterwards.
_WITHIN_BY_HAND_MS = 3_600_000
# So much of each channel is kept, that a value typed in hours later finds its partner.
_KEPT = 48
# The median of so many pairs is judged; of what a person reads each one counts.
_PAIRS = 3
_LET_GO = 0.5


class Settings(RuleSettings):
    """`kind = "difference"`."""

    kind: Literal["difference"]
    channel: Annotated[Id, RefersTo("channel"), Field(description="the channel judged")]
    other: Annotated[
        Id, RefersTo("channel"), Field(description="the channel it is held against, of the same quantity")
    ]
    expect: Annotated[
        Expected,
        Field(description="that the two agree, or that the channel stays below, or above, the other"),
    ] = "agree"
    allowed: Annotated[
        MeasureField | None,
        Field(description="a difference allowed besides what both instruments may be off"),
    ] = None
    within: Annotated[
        DurationMs | None,
        Field(
            description="two values so near in time are of one time; where left out, three times the slower "
            "interval, 15 min at least, an hour where a person reads one of them"
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a channel."""

    time_ms: int
    value: float
    bound: int = 0  # of readings.Bound
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Pair:
    """Two values of one time."""

    time_ms: int  # the later of the two
    value: float
    other: float
    off: float  # what both may be off together
    sure: bool = True


@dataclass(frozen=True, slots=True)
class State:
    """The last values of both, their last pairs, and whether they differ too much."""

    values: Mapping[str, tuple[Value, ...]] = field(default_factory=dict)
    pairs: tuple[Pair, ...] = ()
    judged_ms: int = 0  # time of the last value a person read that was judged
    holds: bool = False
    since_ms: int = 0

    version = 1


class Difference:
    """Two channels held against each other, in the canonical unit of their quantity."""

    kind = "difference"
    remembers_days = 7

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        names = (
            plant_channel(plant, settings.channel, "channel"),
            plant_channel(plant, settings.other, "other"),
        )
        if names[0] == names[1]:
            raise ValueError(f'other = "{names[1]}" is the channel itself; name the one to hold it against')
        self._channels: dict[str, Channel] = {name: plant.channels[name] for name in names}
        self._name, self._other = names
        self._quantity = self._channels[self._name].quantity
        if self._channels[self._other].quantity != self._quantity:
            raise ValueError(
                f'other = "{self._other}" measures {self._channels[self._other].quantity}; channel = '
                f'"{self._name}" measures {self._quantity}, and only the same can be compared'
            )
        try:
            self._allowed = 0.0 if settings.allowed is None else settings.allowed.difference(self._quantity)
        except UnitError as error:
            raise ValueError(f"allowed: {error}") from error
        if self._allowed < 0:
            raise ValueError("allowed must not be negative")
        by_hand = tuple(name for name in names if plant.instrument_of(name).wire.kind == "hand")
        self._by_hand = by_hand
        self._wanted = 1 if by_hand else _PAIRS
        live = [plant.interval_of(name) for name in names if name not in by_hand]
        least_ms = _WITHIN_BY_HAND_MS if by_hand else _LEAST_WITHIN_MS
        self._within_ms = settings.within or max(least_ms, 3 * max(live, default=0))
        self._what = {name: plant.span_words(name) for name in names}
        self._where = {name: plant.place_of(name) for name in names}
        self._label = {name: plant.instrument_of(name).label for name in names}
        self._stage = stage_kind_at(plant, self._name)
        self.channels = self.rests_on = frozenset(names)

    def start(self) -> State:
        return State()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        return state, ()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not _says(reading):
            return state, ()
        name, value = reading.channel, _value(reading)
        kept = _kept(state.values.get(name, ()), value, self._within_ms)
        state = replace(state, values={**state.values, name: kept})
        partner = self._partner(state, name, value)
        if partner is None:
            return state, ()
        read_ms = value.time_ms if name in self._by_hand else partner.time_ms
        if self._by_hand and read_ms <= state.judged_ms:
            return state, ()  # what a person read is held once against what was there then
        pair = self._pair(value, partner) if name == self._name else self._pair(partner, value)
        if pair is None or (state.pairs and pair.time_ms - state.pairs[-1].time_ms < self._apart_ms):
            return state, ()
        state = replace(state, judged_ms=read_ms, pairs=(*state.pairs, pair)[-self._wanted :])
        if len(state.pairs) < self._wanted:
            return state, ()
        holds = self._beyond(state)
        if holds != state.holds or not state.since_ms:
            state = replace(state, holds=holds, since_ms=state.pairs[0].time_ms if holds else pair.time_ms)
        return state, (self._finding(state, reading),)

    @property
    def _apart_ms(self) -> int:
        """Pairs nearer together than this say the same."""
        return 0 if self._by_hand else self._within_ms // _PAIRS

    def _partner(self, state: State, name: str, value: Value) -> Value | None:
        """The other channel's value nearest in time; None when it has none near enough."""
        other = self._other if name == self._name else self._name
        near = min(
            state.values.get(other, ()), key=lambda one: abs(one.time_ms - value.time_ms), default=None
        )
        return near if near is not None and abs(near.time_ms - value.time_ms) <= self._within_ms else None

    def _pair(self, own: Value, other: Value) -> Pair | None:
        """Both as a pair; None where one at the end of its range leaves open which is the larger."""
        more = own.value > other.value
        least = own.bound == Bound.AT_LEAST or other.bound == Bound.AT_MOST
        most = own.bound == Bound.AT_MOST or other.bound == Bound.AT_LEAST
        if (least and not more) or (most and more):
            return None
        off = self._off(self._name, own.value) + self._off(self._other, other.value)
        return Pair(max(own.time_ms, other.time_ms), own.value, other.value, off, own.sure and other.sure)

    def _off(self, name: str, value: float) -> float:
        channel = self._channels[name]
        accuracy = channel.accuracy.at(value, self._quantity, channel.canonical_range[1])
        return max(accuracy, channel.canonical_resolution)

    def _beyond(self, state: State) -> bool:
        excess, allowed = self._excess(state)
        return excess > allowed * (_LET_GO if state.holds else 1.0)

    def _excess(self, state: State) -> tuple[float, float]:
        """How far the two are from what is expected of them, and what is allowed."""
        excess = median(self._away(pair) for pair in state.pairs)
        return excess, median(pair.off for pair in state.pairs) + self._allowed

    def _away(self, pair: Pair) -> float:
        apart = pair.value - pair.other
        return {"agree": abs(apart), "below": apart, "above": -apart}[self.settings.expect]

    def _finding(self, state: State, reading: Reading) -> Finding:
        excess, allowed = self._excess(state)
        pair = state.pairs[-1]
        return Finding(
            condition=self.settings.id,
            subject=self._name,
            holds=state.holds,
            time_ms=reading.time_ms,
            since_ms=min(state.since_ms, reading.time_ms),
            confidence=_confidence(excess, allowed, pair) if state.holds else 0.9,
            evidence={
                "channel": self._name,
                "other": self._other,
                "what": self._what[self._name],
                "other_what": self._what[self._other],
                "where": self._where[self._name],
                "other_where": self._where[self._other],
                "instrument": self._label[self._name],
                "other_instrument": self._label[self._other],
                "stage": self._stage,
                "quantity": self._quantity,
                "expect": self.settings.expect,
                "value": pair.value,
                "other_value": pair.other,
                "difference": median(p.value - p.other for p in state.pairs),
                "off": median(p.off for p in state.pairs),
                "allowed": self._allowed,
                "apart_ms": max(p.time_ms for p in state.pairs) - min(p.time_ms for p in state.pairs),
                "pairs": len(state.pairs),
            },
        )

    def explain(self, state: State, now: Moment) -> Figures:
        """The last pairs beside what both instruments may be off together."""
        lines = [
            f"values within {span(self._within_ms)} are of one time; {self._wanted} pair(s) make a judgement"
        ]
        for pair in state.pairs:
            lines.append(
                f"{now.clock(pair.time_ms)}: {shown(pair.value, self._quantity)} against "
                f"{shown(pair.other, self._quantity)}; both together may be off by "
                f"{shown(pair.off, self._quantity)}"
            )
        if len(state.pairs) == self._wanted:
            excess, allowed = self._excess(state)
            lines.append(
                f"{_EXPECTED[self.settings.expect]}: {shown(excess, self._quantity)} of at most "
                f"{shown(allowed, self._quantity)}"
            )
        return {self.settings.id: lines}


_EXPECTED = {
    "agree": "apart by",
    "below": "above the one it should stay below by",
    "above": "below the one it should stay above by",
}


def _says(reading: Reading) -> bool:
    """Over range is evidence of "at least"; in standing water two probes need not agree."""
    if reading.standing != Standing.JUDGED or reading.reasons & Reason.JUMP:
        return False
    return reading.level != Level.BAD or reading.bound != Bound.EXACT


def _value(reading: Reading) -> Value:
    return Value(reading.time_ms, reading.value, int(reading.bound), reading.level == Level.GOOD)


def _kept(values: tuple[Value, ...], value: Value, within_ms: int) -> tuple[Value, ...]:
    """The values of a channel, the newest last; of those before it some of each stretch."""
    if values and value.time_ms < values[-1].time_ms:
        values = tuple(one for one in values if one.time_ms < value.time_ms)  # judged afterwards, or set back
    if len(values) > 1 and values[-1].time_ms - values[-2].time_ms < within_ms // 4:
        values = values[:-1]
    return (*values, value)[-_KEPT:]


def _confidence(excess: float, allowed: float, pair: Pair) -> float:
    """How sure the true difference is larger: both errors together read as two standard deviations."""
    sure = 0.5 * (1 + math.erf((excess - allowed) / (pair.off / 2) / math.sqrt(2)))
    return round(min(sure, 0.97 if pair.sure else 0.7), 3)


def build(settings: Settings, plant: Plant) -> Difference:
    """The rule for this plant.

    Raises: ValueError naming the key that does not fit the plant and what would.
    """
    return Difference(settings, plant)


def wording(evidence: Evidence) -> Wording:
    """Both values side by side, and which of the two to doubt first."""
    quantity, expect = text(evidence, "quantity"), text(evidence, "expect")
    value, other = (shown(number(evidence, key), quantity) for key in ("value", "other_value"))
    where, instrument = text(evidence, "where"), text(evidence, "instrument")
    partner = text(evidence, "other_instrument")
    if partner == instrument:
        partner = text(evidence, "other_what")
    if expect == "agree":
        first = f"{where}: {instrument} and {partner} disagree, {value} against {other}"
        meaning = (
            f"The {text(evidence, 'what')} and the {text(evidence, 'other_what')} should be the same, and "
            "differ by more than both instruments may be off together. One of them is wrong; a third tells "
            "which."
        )
    else:
        first = f"{where}: {quantity} {value}, {_NOT[expect]} {other} at {text(evidence, 'other_where')}"
        meaning = (
            f"The {text(evidence, 'what')} should stay {expect} the {text(evidence, 'other_what')}, and does "
            "not, by more than both instruments may be off together: the water is at fault, or one of the "
            "two, or they are swapped."
        )
    facts = [
        (text(evidence, "what"), value),
        (text(evidence, "other_what"), other),
        ("difference", shown(number(evidence, "difference"), quantity)),
        ("both may be off together", shown(number(evidence, "off"), quantity)),
    ]
    if number(evidence, "allowed"):
        facts.append(("allowed besides", shown(number(evidence, "allowed"), quantity)))
    return Wording(
        first_line=first,
        facts=tuple(facts),
        meaning=meaning,
        steps=(*_STEPS, *(() if expect == "agree" else _beyond_order(evidence, expect))),
        cautions=cautions_for(text(evidence, "stage")),
    )


_NOT = {"below": "not below the", "above": "not above the"}
_STEPS = (
    "Hold one calibrated hand meter (or gauge) against both, water running for ten minutes.",
    "Look at the one that differs from it: air, scale, a closed sample valve, a cable. Clean, calibrate it.",
    "Enter a new calibration with its date, so that earlier readings keep theirs.",
)


def _beyond_order(evidence: Evidence, expect: str) -> tuple[str, ...]:
    side = "above" if expect == "below" else "below"
    steps = steps_beyond_limit(text(evidence, "quantity"), text(evidence, "stage"), side)
    return ("If both instruments are right:", *steps)
