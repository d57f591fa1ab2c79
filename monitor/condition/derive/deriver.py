"""When a derived channel has a new value, and how good and how old that is.

Its time is that of its *oldest* input, its quality that of the worst. So it has a new value whenever its
oldest input has become younger: once for each time, whichever of its inputs arrives last, and however the
stream is cut into batches. Inputs that are too far apart in time are no pair.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from monitor.condition.conditioner import (
    NO_VALUE,
    ChannelState,
    MovedBack,
    has_run_ahead,
    trusted_for_ms,
)
from monitor.condition.derive.kind import Kind, Value
from monitor.condition.derive.kinds import build
from monitor.condition.fresh import FUTURE_TOLERANCE_MS
from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.plant.quantities import QUANTITIES
from monitor.readings import Bound, Count, OperatorAction, Reading, Reason, Standing, Status, words

Memories = Mapping[str, Any]


_FRESH = ChannelState()


@dataclass(slots=True)
class Derivation:
    """What one reading, or event, did to one derived channel."""

    memory: Any = None  # of a kind with a memory: after it
    state: ChannelState | None = None  # with `reading`
    reading: Reading | None = None
    counts: list[Count] = field(default_factory=list)
    moved_back: MovedBack | None = None


class Deriver:
    """Computes the derived channels of one plant. Holds no state."""

    def __init__(self, plant: Plant) -> None:
        self._kinds: dict[str, Kind] = {name: build(one, plant) for name, one in plant.computed.items()}
        self._quantity = {name: QUANTITIES[plant.channels[name].quantity] for name in self._kinds}
        self._fed: dict[str, list[str]] = {}
        for name, kind in self._kinds.items():
            for channel in kind.directions:
                self._fed.setdefault(channel, []).append(name)
        self._trusted_ms = {channel: trusted_for_ms(plant, channel) for channel in self._fed}

    def fed_by(self, channel: str) -> Iterable[str]:
        """The derived channels that look at a channel, in the order of the file."""
        return self._fed.get(channel, ())

    def start(self, name: str) -> Any | None:
        """The memory a derived channel begins with; None for one without a memory, or that is not there."""
        kind = self._kinds.get(name)
        return kind.start() if kind is not None and kind.remembers else None

    @property
    def remembering(self) -> tuple[str, ...]:
        """The derived channels that have a memory."""
        return tuple(name for name, kind in self._kinds.items() if kind.remembers)

    def inputs_of(self, name: str) -> Iterable[str]:
        """The channels that a derived channel looks at."""
        return self._kinds[name].directions

    def resumed(self, name: str, last: Reading, inputs: Mapping[str, Reading]) -> Any:
        """The memory that goes on from a channel's last stored value, and its inputs' of that time."""
        return self._kinds[name].resumed(last, inputs)

    def on_event(self, memories: Memories, event: OperatorAction) -> dict[str, Any]:
        """The memories that an event changed."""
        changed = {}
        for name in self.remembering:
            before = memories.get(name) or self._kinds[name].start()
            after = self._kinds[name].on_event(before, event)
            if after is not before:
                changed[name] = after
        return changed

    def derive(
        self, name: str, channels: Mapping[str, ChannelState], memories: Memories, reading: Reading
    ) -> Derivation:
        """What a reading, which is the latest of its channel in `channels`, does to a derived channel."""
        kind, done = self._kinds[name], Derivation()
        memory = None
        if kind.remembers:
            memory = memories.get(name)
            memory = done.memory = kind.on_reading(kind.start() if memory is None else memory, reading)
        state = channels.get(name, _FRESH)
        if has_run_ahead(state, reading.arrival_ms):
            done.moved_back = MovedBack(name, reading.arrival_ms + FUTURE_TOLERANCE_MS)
            done.state = state = ChannelState()
        inputs = self._together(kind, channels, state.last_ms)
        if inputs is None:
            return done
        try:
            value = self._value(kind, memory, inputs)
        except (ValueError, ArithmeticError) as error:
            done.counts.append(Count("not-computable", name, reading.arrival_ms, str(error)))
            return done
        if value is not None:
            done.reading = self._reading(name, kind, value, inputs, reading.arrival_ms)
            done.state = replace(state, last_ms=done.reading.time_ms, latest=self._kept(done.reading))
        return done

    def _together(
        self, kind: Kind, channels: Mapping[str, ChannelState], after_ms: int
    ) -> dict[str, Reading] | None:
        """The latest reading of each input; None where one lacks, or the oldest is no later than the last
        value, or one is too old for the newest."""
        inputs: dict[str, Reading] = {}
        newest_ms = 0
        for channel in kind.directions:
            state = channels.get(channel)
            latest = None if state is None else state.latest
            if latest is None or latest.time_ms <= after_ms:
                return None
            inputs[channel] = latest
            newest_ms = max(newest_ms, latest.time_ms)
        apart = any(newest_ms - r.time_ms > self._trusted_ms[channel] for channel, r in inputs.items())
        return None if apart else inputs

    def _value(self, kind: Kind, memory: Any, inputs: Mapping[str, Reading]) -> Value | None:
        for channel, reading in inputs.items():
            if reading.reasons & NO_VALUE:
                raise ValueError(f"{channel}: {', '.join(words(reading.reasons & NO_VALUE))}")
        value = kind.value(memory, inputs)
        if value is not None and not math.isfinite(value.value):
            raise ValueError(f"{value.value} of {', '.join(f'{c} {r.value:g}' for c, r in inputs.items())}")
        return value

    def _reading(
        self, name: str, kind: Kind, value: Value, inputs: Mapping[str, Reading], arrival_ms: int
    ) -> Reading:
        quantity = self._quantity[name]
        reasons = value.reasons
        for reading in inputs.values():
            reasons |= reading.reasons
        if reasons & ~value.reasons:
            reasons |= Reason.INPUT_UNCERTAIN
        bound = _bound(kind.directions, inputs, value.bound)
        if not quantity.low <= value.value <= quantity.high:
            reasons, bound = reasons | Reason.IMPLAUSIBLE, Bound.EXACT
        return Reading(
            channel=name,
            time_ms=min(reading.time_ms for reading in inputs.values()),
            arrival_ms=arrival_ms,
            raw=value.value,
            value=value.value,
            reasons=reasons,
            bound=bound,
            standing=Standing(max(reading.standing for reading in inputs.values())),
            status=Status.DERIVED,
        )

    def _kept(self, reading: Reading) -> Reading | None:
        """Where a channel further on looks at it."""
        return reading if reading.channel in self._fed else None


def _bound(directions: Mapping[str, int], inputs: Mapping[str, Reading], own: Bound) -> Bound:
    """What inputs at the end of their range say of the value: at least, at most, or nothing."""
    said = {own} - {Bound.EXACT}
    for channel, reading in inputs.items():
        if reading.bound != Bound.EXACT:
            way = directions[channel] * (1 if reading.bound == Bound.AT_LEAST else -1)
            said.add({1: Bound.AT_LEAST, -1: Bound.AT_MOST}.get(way, Bound.EXACT))
    return said.pop() if len(said) == 1 else Bound.EXACT
