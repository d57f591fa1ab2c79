"""What an instrument says of itself: a fault, or a supervised contact whose wire is broken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.plant.model import Plant
from monitor.readings import Evidence, Reading, Reason
from monitor.rules.explaining import Figures, Moment
from monitor.rules.instrument.verdict import Verdict

# One alone may be a telegram that was caught half written.
_IN_A_ROW = 2


@dataclass(frozen=True, slots=True)
class Faulty:
    """Readings in a row that were faulty."""

    since_ms: int
    n: int


class Faults:
    """All channels of the instruments watched."""

    def __init__(self, plant: Plant, instruments: frozenset[str]) -> None:
        channels = [c for i in plant.instrument if i.id in instruments for c in i.channel]
        self._what = {c.id: plant.span_words(c.id) for c in channels}
        self._where = {c.id: plant.place_of(c.id) for c in channels}
        self._label = {c.id: plant.instrument_of(c.id).label for c in channels}
        self._supervised = {c.id for c in channels if c.supervised is not None}
        self._quantity = {c.id: c.quantity for c in channels}
        self.channels = frozenset(self._what)

    def subject(self, channel: str) -> str:
        return channel

    def figures(self, faulty: Mapping[str, Faulty], now: Moment) -> Figures:
        return {
            name: [f"{one.n} faulty readings in a row since {now.ago(one.since_ms)}; told at {_IN_A_ROW}"]
            for name, one in faulty.items()
        }

    def on_reading(
        self, faulty: Mapping[str, Faulty], reading: Reading, *, told: bool
    ) -> tuple[Mapping[str, Faulty], Verdict | None]:
        """After a reading of one of its channels; `told` asks for a verdict also when all is well."""
        name = reading.channel
        before = faulty.get(name)
        if reading.reasons & Reason.DEVICE_FAULT:
            now = Faulty(reading.time_ms, 1) if before is None else Faulty(before.since_ms, before.n + 1)
            return {**faulty, name: now}, self._verdict(reading, now, holds=now.n >= _IN_A_ROW)
        if before is not None:
            faulty = {other: one for other, one in faulty.items() if other != name}
        if not told:
            return faulty, None
        return faulty, self._verdict(reading, before or Faulty(reading.time_ms, 0), holds=False)

    def _verdict(self, reading: Reading, faulty: Faulty, *, holds: bool) -> Verdict:
        name = reading.channel
        evidence: Evidence = {
            "channel": name,
            "what": self._what[name],
            "where": self._where[name],
            "instrument": self._label[name],
            "quantity": self._quantity[name],
            "supervised": name in self._supervised,
            "raw": reading.raw,
            "values": faulty.n,
            "lasted_ms": reading.time_ms - faulty.since_ms,
        }
        return Verdict("fault", name, holds, reading.time_ms, faulty.since_ms, 0.95, evidence)
