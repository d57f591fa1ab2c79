"""A Sample becomes a Reading: time, unit, calibration, range, compensation, shape, gate, in this order."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, time
from zoneinfo import ZoneInfo

from monitor.condition.compensation import compensate
from monitor.condition.contact import debounced, so, supervised
from monitor.condition.counter import Counter, CounterState, broken
from monitor.condition.current_loop import measured
from monitor.condition.dead_meter import MeterState
from monitor.condition.flags import ShapeState, range_flag, shape_flags
from monitor.condition.fresh import FUTURE_TOLERANCE_MS
from monitor.condition.gate import GateState
from monitor.condition.gates import Gates, Memory
from monitor.condition.noise import NoiseState, may_be_noisy, on_value
from monitor.frozen import replace
from monitor.plant.model import Channel, Plant
from monitor.plant.units import Scale
from monitor.readings import (
    CLOCK_TRUSTED_FROM_MS,
    DELIVERED_LATE,
    Bound,
    Count,
    Reading,
    Reason,
    Sample,
    Standing,
    Status,
)

# A neighbour's value (temperature, flow) is trusted for three of its intervals, but at least this long.
_TRUST_AT_LEAST_MS = 120_000

# The number beside these says nothing at all, so it is no neighbour to the next.
NO_VALUE = Reason.IMPLAUSIBLE | Reason.DEVICE_FAULT


@dataclass(frozen=True, slots=True)
class ChannelState:
    """What conditioning remembers of one channel."""

    last_ms: int = 0  # time of the last reading in order
    last_timeless_ms: int = 0  # time given to the last sample that carried none
    stamp_ms: int = 0  # arrival of the last stamp that was out of order and told of
    shape: ShapeState = ShapeState()
    noise: NoiseState | None = None
    gate: GateState | None = None  # of a channel that has a gate
    meter: MeterState | None = None  # of a flow meter that opens gates
    counter: CounterState = CounterState()
    latest: Reading | None = None  # the last one in order; kept only where a neighbour needs it

    version = 1


_FRESH = ChannelState()


@dataclass(frozen=True, slots=True)
class MovedBack:
    """Readings of a channel after this time were stamped by a clock that ran ahead."""

    channel: str
    after_ms: int


@dataclass(slots=True)
class Conditioned:
    """What conditioning one Sample gives."""

    reading: Reading
    states: dict[str, ChannelState] = field(default_factory=dict)  # those that changed
    counts: list[Count] = field(default_factory=list)
    moved_back: MovedBack | None = None
    again: list[Reading] = field(default_factory=list)  # shown before as gated, and judged now


class _Prepared:
    """One channel with everything worked out that does not change while the daemon runs."""

    def __init__(self, plant: Plant, channel: Channel) -> None:
        self.channel = channel
        self.scale: Scale = channel.scale
        self.counter = Counter.of(channel)
        zone = ZoneInfo(plant.site.timezone)
        self.calibrations = sorted(
            (int(datetime.combine(c.since, time(), zone).timestamp() * 1000), c.gain, c.offset)
            for c in channel.calibration
        )
        self.trusted_for_ms = trusted_for_ms(plant, channel.id)
        self.by_hand = plant.instrument_of(channel.id).wire.kind == "hand"
        self.may_be_noisy = may_be_noisy(channel, plant.interval_of(channel.id))

    def calibrated(self, raw: float, at_ms: int) -> float:
        """The raw value under the calibration in force at that time, still in the channel's unit."""
        value = raw
        for since_ms, gain, offset in self.calibrations:
            if since_ms <= at_ms:
                value = gain * raw + offset
        return value

    def counted(
        self, state: ChannelState, shown: float, at_ms: int, standing: Standing
    ) -> tuple[ChannelState, float, Reason]:
        """The litres of a counter, which only grow; nothing but an ordered value moves it."""
        assert self.counter is not None

        def litres_at(shown: float) -> float:
            return self.scale.apply(self.calibrated(shown, at_ms))

        if standing > Standing.GATED:
            return state, *self.counter.litres_of(state.counter, shown, litres_at)
        counter, doubt = self.counter.count(state.counter, at_ms, shown, litres_at)
        return replace(state, counter=counter), counter.litres, doubt


def trusted_for_ms(plant: Plant, channel: str) -> int:
    """How long a channel's value speaks for what is beside it."""
    return max(_TRUST_AT_LEAST_MS, 3 * plant.interval_of(channel))


class Conditioner:
    """Conditions the channels of one plant. Holds no state: `ChannelState`s are passed in and given back."""

    def __init__(self, plant: Plant) -> None:
        self._prepared = {c.id: _Prepared(plant, c) for i in plant.instrument for c in i.channel}
        self._trusted_for_ms = {name: trusted_for_ms(plant, name) for name in plant.channels}
        self._gates = Gates(plant, self._trusted_for_ms)
        self._rests_on = {
            name: [*([c.temperature] if c.temperature is not None else ()), *self._gates.looks_at(name)]
            for name, c in plant.channels.items()
        }
        for name, one in plant.computed.items():
            self._rests_on[name] += one.inputs.values()
        self._watched = {c.temperature for c in plant.channels.values() if c.temperature}
        self._watched.update(*(one.inputs.values() for one in plant.computed.values()))

    def knows(self, channel: str) -> bool:
        """Whether an instrument has this channel: a stored stream may be older than the site file."""
        return channel in self._prepared

    def inputs(self, channels: Iterable[str]) -> set[str]:
        """These channels, and all that their values and gates rest on, directly or through others."""
        found: set[str] = set()
        wanted = set(channels)
        while wanted:
            found |= wanted
            wanted = {other for name in wanted for other in self._rests_on.get(name, ())} - found
        return found

    def condition(self, states: Mapping[str, ChannelState], sample: Sample) -> Conditioned:
        """The Reading of a Sample, and the states it changed."""
        prepared = self._prepared[sample.channel]
        state = states.get(sample.channel, _FRESH)
        counter = state.counter
        state, time_ms, standing, moved_back = _place_in_time(state, sample)
        reading, state = self._value(prepared, states, state, sample, time_ms, standing)
        result = Conditioned(reading, {sample.channel: state}, moved_back=moved_back)
        result.counts.extend(broken(sample.channel, counter, state.counter, sample.arrival_ms))
        if moved_back is not None:
            result.counts.append(Count("clock-moved-back", sample.channel, sample.arrival_ms))
        if standing > Standing.GATED:
            what = standing.name.lower().replace("_", "-")
            result.counts.append(Count(what, sample.channel, sample.arrival_ms))
        elif reading.standing <= Standing.GATED:
            result.again = self._gates.after(Memory(states, result.states, _FRESH), reading)
        return result

    def _value(
        self,
        prepared: _Prepared,
        states: Mapping[str, ChannelState],
        state: ChannelState,
        sample: Sample,
        time_ms: int,
        standing: Standing,
    ) -> tuple[Reading, ChannelState]:
        channel = prepared.channel
        shown = measured(channel, sample)
        value = prepared.scale.apply(prepared.calibrated(shown.value, time_ms))
        if not math.isfinite(value):  # 1e308 with a gain above 1: state and evidence hold numbers only
            value = sample.value
        if channel.supervised is not None:
            value, reasons = supervised(channel.supervised, shown.value)
            bound = Bound.EXACT
        else:
            reasons, bound = range_flag(channel, shown.value, value, shown.status)
        if channel.quantity == "contact" and not reasons & NO_VALUE:
            value = so(channel, value)
        if shown.status & Status.DEVICE_FAULT:
            reasons, bound = reasons | Reason.DEVICE_FAULT, Bound.EXACT
        if standing == Standing.TIME_UNKNOWN:
            reasons |= Reason.TIME_UNKNOWN
        elif standing == Standing.BAD_TIME:
            reasons |= Reason.CLOCK
        if channel.temperature is not None:
            warm = states.get(channel.temperature, _FRESH).latest
            trusted_ms = self._trusted_for_ms[channel.temperature]
            value, doubt = compensate(channel, value, warm, time_ms, trusted_ms)
            reasons |= doubt
        if prepared.counter is not None and not reasons & NO_VALUE:
            state, value, doubt = prepared.counted(state, sample.value, time_ms, standing)
            reasons |= doubt
        if standing == Standing.JUDGED:
            shape, noise, meter = state.shape, state.noise, state.meter
            if not reasons & NO_VALUE:
                shape, value, doubt = _in_shape(prepared, shape, time_ms, sample.value, value)
                reasons |= doubt
            if channel.quantity == "flow":
                meter, doubt = self._gates.of_meter(channel.id, meter, time_ms, value, reasons)
                reasons |= doubt
            if channel.gate is not None:
                standing, doubt = self._gates.standing(channel.id, state.gate, time_ms)
                reasons |= doubt
            if prepared.may_be_noisy and standing == Standing.JUDGED and not reasons & NO_VALUE:
                noise = on_value(channel, noise, time_ms, value)
                reasons |= Reason.NOISY if noise.noisy else Reason.NONE
            state = replace(state, last_ms=time_ms, shape=shape, noise=noise, meter=meter)
        reading = Reading(
            channel=sample.channel,
            time_ms=time_ms,
            arrival_ms=sample.arrival_ms,
            raw=sample.value,
            value=value,
            reasons=reasons,
            bound=bound,
            standing=standing,
            status=sample.status,
            own_time=sample.time_ms is not None,
        )
        if channel.id in self._watched and reading.ordered:
            state = replace(state, latest=reading)
        return reading, state

    def beside_others(
        self, states: Mapping[str, ChannelState], reading: Reading, changed: dict[str, ChannelState]
    ) -> tuple[Reading, list[Reading]]:
        """A derived reading in order: contradicted by what is beside it or not, and what is judged only now
        because of it. `changed` holds its state and takes those of others."""
        name = reading.channel
        state = changed[name]
        meter, doubt = self._gates.of_meter(
            name, state.meter, reading.time_ms, reading.value, reading.reasons
        )
        if meter is not state.meter:
            changed[name] = replace(state, meter=meter)
        if doubt:
            reading = replace(reading, reasons=reading.reasons | doubt)
            if state.latest is not None:
                changed[name] = replace(changed[name], latest=reading)
        return reading, self._gates.after(Memory(states, changed, _FRESH), reading)


def _in_shape(
    prepared: _Prepared, shape: ShapeState, time_ms: int, raw: float, value: float
) -> tuple[ShapeState, float, Reason]:
    """What the values before it say of a value, and the value that counts."""
    channel, stale_after_ms = prepared.channel, 3 * prepared.trusted_for_ms
    if prepared.by_hand:
        return shape, value, Reason.NONE  # a person looked; the next look is days away
    if channel.quantity == "contact":
        return debounced(channel, shape, time_ms, value, stale_after_ms)
    shape, flags = shape_flags(channel, shape, time_ms, raw, value, stale_after_ms)
    return shape, value, flags


def has_run_ahead(state: ChannelState, arrival_ms: int) -> bool:
    """Whether the last time of a channel lies far ahead of a trusted clock."""
    if arrival_ms < CLOCK_TRUSTED_FROM_MS:
        return False
    return max(state.last_ms, state.last_timeless_ms) > arrival_ms + FUTURE_TOLERANCE_MS


def _place_in_time(
    state: ChannelState, sample: Sample
) -> tuple[ChannelState, int, Standing, MovedBack | None]:
    """When the sample was taken, and what it may be used for.

    Time only moves forward: what is not later than the last one in order is late. A last time far ahead of
    a trusted clock was stamped by a clock that ran ahead (a gateway that booted without one): the mark
    moves back, or the channel would stay deaf until the clock caught up.
    """
    arrival_ms = sample.arrival_ms
    moved_back = None
    if has_run_ahead(state, arrival_ms):
        moved_back = MovedBack(sample.channel, arrival_ms + FUTURE_TOLERANCE_MS)
        state = replace(state, last_ms=0, last_timeless_ms=0, shape=ShapeState(), gate=None, meter=None)
    if sample.time_ms is None:
        # Two values in one millisecond are two values.
        time_ms = max(arrival_ms, state.last_timeless_ms + 1)
        state = replace(state, last_timeless_ms=time_ms)
        if sample.status & DELIVERED_LATE:
            return state, time_ms, Standing.TIME_UNKNOWN, moved_back
    else:
        time_ms = sample.time_ms
    if arrival_ms < CLOCK_TRUSTED_FROM_MS or time_ms > arrival_ms + FUTURE_TOLERANCE_MS:
        return state, time_ms, Standing.BAD_TIME, moved_back
    if time_ms <= state.last_ms:
        return state, time_ms, Standing.LATE, moved_back
    return state, time_ms, Standing.JUDGED, moved_back
