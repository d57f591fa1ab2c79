"""All gates of a plant, with what they look at: flow meters, contacts, tanks, and each other.

Who says when water runs, in this order: the gate's own `flow`; where that is a meter that is silent or
contradicted, the `running` contact; where there is no such contact, or no `flow` at all, the course of the
probes' own values. A probe that nothing speaks for is judged as uncertain where a signal is missing, and by
the lowest tenth of its day where there never was one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from monitor.condition import course, dead_meter, lowest_tenth, short_run
from monitor.condition.course import CourseState, saltiness
from monitor.condition.dead_meter import MeterState
from monitor.condition.fresh import is_fresh
from monitor.condition.gate import Flowing, GateState, Signal, Source, on_signal, says, signal_of
from monitor.condition.lowest_tenth import DayState
from monitor.frozen import replace
from monitor.plant.gate import Gate
from monitor.plant.model import Channel, Plant
from monitor.readings import Level, Reading, Reason, Standing, level_of

if TYPE_CHECKING:
    from monitor.condition.conditioner import ChannelState

# What tells standing water from running water by itself.
_TELLING = frozenset({"conductivity", "tds", "resistivity"})


@dataclass(frozen=True, slots=True)
class _Gated:
    """A channel with a gate, and for how long each source's word is good."""

    channel: Channel
    gate: Gate
    meter: str | None  # the flow meter among its signals
    trusted_for_ms: Mapping[Source, int]


@dataclass(frozen=True, slots=True)
class _Meter:
    """A flow meter that opens gates, and its witnesses."""

    above_l_min: float
    contact: str | None
    members: tuple[str, ...]
    trusted_for_ms: int
    contact_trusted_for_ms: int


class Memory:
    """States as they were before a sample, under those that it has changed."""

    def __init__(
        self, before: Mapping[str, ChannelState], changed: dict[str, ChannelState], blank: ChannelState
    ) -> None:
        self._before = before
        self._changed = changed
        self._blank = blank

    def of(self, name: str) -> ChannelState:
        return self._changed.get(name) or self._before.get(name, self._blank)

    def gate(self, name: str) -> GateState:
        return self.of(name).gate or GateState()

    def meter(self, name: str) -> MeterState:
        return self.of(name).meter or MeterState()

    def put_gate(self, name: str, gate: GateState) -> None:
        self._changed[name] = replace(self.of(name), gate=gate)

    def put_meter(self, name: str, meter: MeterState) -> None:
        self._changed[name] = replace(self.of(name), meter=meter)


class Gates:
    """The gates of one plant. Holds no state; `trusted_for_ms` is how long a channel's word is good."""

    def __init__(self, plant: Plant, trusted_for_ms: Mapping[str, int]) -> None:
        self._zone = ZoneInfo(plant.site.timezone)
        self._gated = {
            channel.id: _gated(plant, channel, channel.gate, trusted_for_ms)
            for channel in plant.channels.values()
            if channel.gate is not None
        }
        self._by_signal: dict[str, list[str]] = {}
        for name, gated in self._gated.items():
            if gated.gate.flow is not None:
                self._by_signal.setdefault(gated.gate.flow, []).append(name)
        self._meters = {
            name: _meter([self._gated[member] for member in members], trusted_for_ms, name)
            for name, members in self._by_signal.items()
            if plant.channels[name].quantity == "flow"
        }
        self._by_contact: dict[str, list[str]] = {}
        for name, meter in self._meters.items():
            if meter.contact is not None:
                self._by_contact.setdefault(meter.contact, []).append(name)
        self._by_tank: dict[str, list[str]] = {}
        for gated in self._gated.values():
            tank, meter_name = gated.gate.tank, gated.meter
            if tank is not None and meter_name is not None:
                of_tank = self._by_tank.setdefault(tank, [])
                if meter_name not in of_tank:
                    of_tank.append(meter_name)
        self._witnesses = {name: self._beside(known) for name, known in self._meters.items()}
        self._tanks = {name: plant.channels[name] for name in self._by_tank}
        self.watched = frozenset({*self._gated, *self._by_signal, *self._by_contact, *self._by_tank})

    def _beside(self, meter: _Meter) -> tuple[str, ...]:
        """The probes of a meter, and the contacts and tanks that their gates name."""
        gates = [self._gated[member].gate for member in meter.members]
        others = (name for gate in gates for name in (gate.running, gate.tank) if name is not None)
        return tuple(dict.fromkeys((*meter.members, *others)))

    def looks_at(self, name: str) -> tuple[str, ...]:
        """The channels whose values may decide whether a channel's value is judged."""
        gated = self._gated.get(name)
        if gated is None:
            return self._witnesses.get(name, ())
        if gated.meter is None:
            return gated.gate.looks_at
        return (gated.meter, *self._witnesses[gated.meter])

    def of_meter(
        self, name: str, meter: MeterState | None, time_ms: int, value: float, reasons: Reason
    ) -> tuple[MeterState | None, Reason]:
        """A value of a flow meter that opens gates: whether its neighbours contradict it."""
        known = self._meters.get(name)
        if known is None or level_of(reasons) == Level.BAD:
            return meter, Reason.NONE
        meter = dead_meter.on_flow(meter or MeterState(), time_ms, value > known.above_l_min)
        wrong = meter.contradicted and value <= known.above_l_min
        return meter, Reason.CONTRADICTED if wrong else Reason.NONE

    def standing(self, name: str, state: GateState | None, time_ms: int) -> tuple[Standing, Reason]:
        """Whether a value of a gated channel is of the water being made, and how that is known."""
        gated, gate = self._gated[name], state or GateState()
        by = Reason.NONE if gate.source == "signal" else Reason.BY_TIME
        match says(gated.gate, gate, time_ms, gated.trusted_for_ms[gate.source]):
            case Flowing.OPEN:
                return Standing.JUDGED, by
            case Flowing.CLOSED:
                return Standing.GATED, by
        # Where a signal is only missing, silence would be worse than doubt. A course that was known goes on
        # with the next value.
        hears_nothing = gated.gate.flow is None or gate.source == "course"
        return Standing.GATED if hears_nothing else Standing.JUDGED, Reason.GATE_UNKNOWN

    def after(self, memory: Memory, reading: Reading) -> list[Reading]:
        """What an ordered reading moves besides its own channel, and what is judged only now."""
        name = reading.channel
        if name not in self.watched:
            return []
        again: list[Reading] = []
        if name in self._by_signal:
            is_contact = name not in self._meters
            for member in self._by_signal[name]:
                signal = signal_of(self._gated[member].gate, reading, is_contact)
                if signal is not None:
                    again += self._deliver(memory, (member,), signal)
        for meter in self._by_contact.get(name, ()):
            again += self._on_contact(memory, meter, reading)
        for meter in self._by_tank.get(name, ()):
            if reading.level != Level.BAD and not reading.reasons & Reason.JUMP:
                tank = self._tanks[name]
                found = dead_meter.on_tank(tank, memory.meter(meter), reading.time_ms, reading.value)
                memory.put_meter(meter, found)
        if name in self._gated:
            again += self._on_probe(memory, self._gated[name], reading)
        return again

    def _deliver(self, memory: Memory, members: Iterable[str], signal: Signal) -> list[Reading]:
        """Tell gates that water runs or stands; the readings that a run which ends is judged by."""
        again: list[Reading] = []
        for name in members:
            gate = memory.gate(name)
            if not signal.runs and gate.source == signal.source:
                found = short_run.over(name, self._gated[name].gate, gate, signal.time_ms)
                again += [found] if found is not None else []
            memory.put_gate(name, on_signal(gate, signal))
        return again

    def _on_contact(self, memory: Memory, name: str, contact: Reading) -> list[Reading]:
        if contact.level == Level.BAD:
            return []
        runs, at_ms = contact.value > 0.5, contact.time_ms
        meter = dead_meter.on_contact(memory.meter(name), at_ms, runs)
        memory.put_meter(name, meter)
        known = self._meters[name]
        if not meter.contradicted and is_fresh(meter.seen_ms, at_ms, known.trusted_for_ms):
            return []
        return self._deliver(memory, known.members, Signal(at_ms, runs, source="contact"))

    def _on_probe(self, memory: Memory, gated: _Gated, reading: Reading) -> list[Reading]:
        name, gate = reading.channel, memory.gate(reading.channel)
        if gate.running_since_ms is not None and not gate.judged:
            if reading.standing == Standing.JUDGED:
                memory.put_gate(name, replace(gate, judged=True, kept=()))
            else:
                memory.put_gate(name, short_run.on_reading(gated.gate, gate, reading))
        if gated.channel.quantity not in _TELLING:
            return []
        if gated.gate.flow is None:
            return self._by_own_course(memory, gated, reading)
        if gated.meter is None:
            return []
        return self._beside_a_meter(memory, gated, gated.meter, reading)

    def _by_own_course(self, memory: Memory, gated: _Gated, reading: Reading) -> list[Reading]:
        """A probe that nothing else speaks for."""
        name = reading.channel
        found, _ = _followed(memory, gated.channel, reading)
        again = []
        if found.runs is not None:
            signal = Signal(reading.time_ms, found.runs, source="course")
            again = self._deliver(memory, (name,), signal)
        return again + self._of_the_day(memory, gated.channel, reading)

    def _beside_a_meter(self, memory: Memory, gated: _Gated, name: str, reading: Reading) -> list[Reading]:
        """A probe whose flow meter is watched while it stands at zero, and replaced when it is wrong."""
        known, meter = self._meters[name], memory.meter(name)
        if not meter.zero_ms:
            gate = memory.gate(reading.channel)
            if gate.course is not None or gate.day is not None:
                memory.put_gate(reading.channel, replace(gate, course=None, day=None))
            return []
        found, began = _followed(memory, gated.channel, reading)
        if began:
            meter = dead_meter.on_start(meter, reading.time_ms)
            memory.put_meter(name, meter)
        if not meter.contradicted or (
            meter.contact_ms and is_fresh(meter.contact_ms, reading.time_ms, known.contact_trusted_for_ms)
        ):
            return []
        again: list[Reading] = []
        if self._speaks(memory, meter, reading.channel, found, began=began):
            if meter.course_of != reading.channel:
                memory.put_meter(name, replace(meter, course_of=reading.channel))
            signal = Signal(reading.time_ms, bool(found.runs), source="course")
            again = self._deliver(memory, known.members, signal)
        return again + self._of_the_day(memory, gated.channel, reading)

    def _speaks(
        self, memory: Memory, meter: MeterState, name: str, found: CourseState, *, began: bool
    ) -> bool:
        """Whether this probe's course counts for all of its meter: the first that knows, then whoever sees
        water come while the one before sees it stand."""
        other = memory.gate(meter.course_of).course if meter.course_of not in ("", name) else None
        trusted_for_ms = self._gated[name].trusted_for_ms["course"]
        if other is None or not is_fresh(other.last_ms, found.last_ms, trusted_for_ms):
            return found.runs is not None
        return began and not other.runs

    def _of_the_day(self, memory: Memory, channel: Channel, reading: Reading) -> list[Reading]:
        gate = memory.gate(channel.id)
        day = datetime.fromtimestamp(reading.time_ms / 1000, self._zone).toordinal()

        def salt(value: float) -> float:
            return -value if channel.quantity == "resistivity" else value

        state, ended = lowest_tenth.on_reading(gate.day or DayState(), day, reading, salt)
        if reading.standing == Standing.JUDGED and not state.judged:
            state = replace(state, judged=True)
        memory.put_gate(channel.id, replace(gate, day=state))
        return lowest_tenth.readings_of(channel.id, ended)


def _followed(memory: Memory, channel: Channel, reading: Reading) -> tuple[CourseState, bool]:
    """The course of a probe's value after a reading, and whether water has just come."""
    gate = memory.gate(channel.id)
    before = gate.course or CourseState()
    value = saltiness(channel, reading)
    if value is None:
        return before, False
    found, began = course.on_value(channel, before, reading.time_ms, value)
    memory.put_gate(channel.id, replace(gate, course=found))
    return found, began


def _gated(plant: Plant, channel: Channel, gate: Gate, trusted_for_ms: Mapping[str, int]) -> _Gated:
    beside = [c for c in plant.channels.values() if c.gate is not None and c.gate.flow == gate.flow]
    own = trusted_for_ms[channel.id]
    return _Gated(
        channel,
        gate,
        gate.flow if gate.flow is not None and plant.channels[gate.flow].quantity == "flow" else None,
        {
            "signal": own if gate.flow is None else trusted_for_ms[gate.flow],
            "contact": own if gate.running is None else trusted_for_ms[gate.running],
            "course": own if gate.flow is None else max(trusted_for_ms[c.id] for c in beside),
        },
    )


def _meter(members: list[_Gated], trusted_for_ms: Mapping[str, int], name: str) -> _Meter:
    contact = next((m.gate.running for m in members if m.gate.running is not None), None)
    return _Meter(
        above_l_min=min(m.gate.above.canonical("flow") for m in members),
        contact=contact,
        members=tuple(m.channel.id for m in members),
        trusted_for_ms=trusted_for_ms[name],
        contact_trusted_for_ms=0 if contact is None else trusted_for_ms[contact],
    )
