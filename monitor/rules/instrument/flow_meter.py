"""A flow meter that stands at zero while water is made, as conditioning has found it contradicted.

Conditioning says *that*; this part says it to people, with what the neighbours showed meanwhile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import Evidence, Level, Reading, Reason
from monitor.rules.explaining import Figures, Moment
from monitor.rules.instrument.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Seen:
    """What a channel beside the meter has shown since the meter stands at zero."""

    low: float
    high: float
    latest: float
    on_ms: int = 0  # of a contact: since when it is on


@dataclass(frozen=True, slots=True)
class Meter:
    """Since when a meter stands at zero, and what was seen beside it."""

    flowed_ms: int = 0  # when it last showed flow
    zero_ms: int = 0
    beside: Mapping[str, Seen] = field(default_factory=dict)


class FlowMeters:
    """The flow meters that open gates."""

    def __init__(self, plant: Plant, instruments: frozenset[str]) -> None:
        self._above: dict[str, float] = {}
        self._beside: dict[str, list[str]] = {}
        for channel in plant.channels.values():
            gate = channel.gate
            if gate is None or gate.flow is None or plant.channels[gate.flow].quantity != "flow":
                continue
            if plant.instrument_of(gate.flow).id not in instruments:
                continue
            above = gate.above.canonical("flow")
            self._above[gate.flow] = min(above, self._above.get(gate.flow, above))
            beside = self._beside.setdefault(gate.flow, [])
            beside += [name for name in (*gate.looks_at[1:], channel.id) if name not in beside]
        self._of = {
            name: [meter for meter, beside in self._beside.items() if name in beside]
            for beside in self._beside.values()
            for name in beside
        }
        self._words = {name: plant.span_words(name) for name in (*self._above, *self._of)}
        self._where = {name: plant.place_of(name) for name in self._above}
        self._label = {name: plant.instrument_of(name).label for name in self._above}
        self._quantity = {name: plant.channels[name].quantity for name in self._of}
        self._interval_ms = {name: plant.interval_of(name) for name in self._above}
        self.channels = frozenset({*self._above, *self._of})

    def subject(self, channel: str) -> str:
        return channel

    def figures(self, meters: Mapping[str, Meter], now: Moment) -> Figures:
        return {
            name: [
                f"at zero since {now.ago(meter.zero_ms)}"
                if meter.zero_ms
                else f"flows; last above {self._above[name]:g} L/min at {now.ago(meter.flowed_ms)}",
                *(
                    f"{self._words[other]} meanwhile from {s.low:g} to {s.high:g}"
                    for other, s in meter.beside.items()
                ),
                "told once conditioning finds its zero contradicted by what is beside it",
            ]
            for name, meter in meters.items()
        }

    def on_reading(
        self, meters: Mapping[str, Meter], reading: Reading, *, told: bool
    ) -> tuple[Mapping[str, Meter], Verdict | None]:
        """After a reading of a meter or of what stands beside one; `told` asks for a verdict also when all is
        well."""
        name, verdict = reading.channel, None
        for meter in self._of.get(name, ()):
            meters = self._beside_it(meters, meter, reading)
        if name in self._above:
            meters, verdict = self._of_itself(meters, reading, told=told)
        return meters, verdict

    def _beside_it(self, meters: Mapping[str, Meter], name: str, reading: Reading) -> Mapping[str, Meter]:
        meter = meters.get(name)
        if meter is None or not meter.zero_ms or reading.level == Level.BAD or reading.reasons & Reason.JUMP:
            return meters
        value, seen = reading.value, meter.beside.get(reading.channel)
        on_ms = 0
        if self._quantity[reading.channel] == "contact" and value > 0.5:
            on_ms = seen.on_ms if seen is not None and seen.on_ms else reading.time_ms
        if seen is None:
            seen = Seen(value, value, value, on_ms)
        else:
            seen = Seen(min(seen.low, value), max(seen.high, value), value, on_ms)
        return {**meters, name: replace(meter, beside={**meter.beside, reading.channel: seen})}

    def _of_itself(
        self, meters: Mapping[str, Meter], reading: Reading, *, told: bool
    ) -> tuple[Mapping[str, Meter], Verdict | None]:
        name, wrong = reading.channel, bool(reading.reasons & Reason.CONTRADICTED)
        if reading.level == Level.BAD and not wrong:
            return meters, None
        meter = meters.get(name) or Meter()
        if reading.value > self._above[name]:
            meter = Meter(flowed_ms=reading.time_ms)
        elif not meter.zero_ms:
            meter = replace(meter, zero_ms=reading.time_ms)
        meters = {**meters, name: meter}
        if not wrong and not told:
            return meters, None
        evidence: Evidence = {
            "channel": name,
            "what": self._words[name],
            "where": self._where[name],
            "instrument": self._label[name],
            "value": reading.value,
            "flowed_ms": meter.flowed_ms or None,
            "zero_for_ms": reading.time_ms - meter.zero_ms if meter.zero_ms else 0,
            "interval_ms": self._interval_ms[name],
            "beside": [
                {
                    "what": self._words[other],
                    "quantity": self._quantity[other],
                    "low": seen.low,
                    "high": seen.high,
                    "on_for_ms": reading.time_ms - seen.on_ms if seen.on_ms else None,
                }
                for other, seen in meter.beside.items()
            ],
        }
        since_ms = meter.zero_ms or reading.time_ms
        return meters, Verdict("flow-meter", name, wrong, reading.time_ms, since_ms, 0.9, evidence)
