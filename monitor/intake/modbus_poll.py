"""The instruments on one Modbus wire taking their turns: the same on a serial bus and over TCP."""

from __future__ import annotations

import heapq
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.clock import Clock
from monitor.intake.decoded import Origin, shortened
from monitor.intake.delays import Delays
from monitor.intake.driver import Parcel, Sink
from monitor.intake.modbus_frame import Answer, NoAnswer, ReadFunction, Refused, Request
from monitor.intake.modbus_settings import UnitWire
from monitor.intake.modbus_station import ModbusStation
from monitor.intake.modbus_values import decode, held
from monitor.plant.model import Instrument
from monitor.readings import Count


class Asked(Protocol):
    """A wire on which one question is asked at a time. What is lost with the wire is raised."""

    def ask(self, request: Request, timeout_s: float) -> Answer | Refused | NoAnswer:
        """The answer, or what came instead within the time limit."""


@dataclass(frozen=True, slots=True)
class _Failure:
    """Why a turn gave less than it should: a slug and its detail, and whether the unit said nothing good."""

    what: str
    detail: str
    silent: bool


class Turns:
    """The stations of one wire, read in the order in which they fall due.

    What one of them costs the others is bounded by its own timeout, and a silent one is asked ever more
    seldom. Used by the driver's thread only.
    """

    def __init__(self, instruments: Sequence[Instrument], sink: Sink, clock: Clock, delays: Delays) -> None:
        """`instruments` are those whose wire is a `UnitWire` on this one."""
        self._stations = [
            ModbusStation(i.id, i.wire, clock, delays) for i in instruments if isinstance(i.wire, UnitWire)
        ]
        self._queue = [(station.due_s, n) for n, station in enumerate(self._stations)]  # a heap
        self._sink = sink
        self._clock = clock
        self._resting_until_s: dict[int, float] = {}  # units from which a late answer may still come

    def wait_s(self) -> float:
        """Seconds until the next turn; 0 or less when it is due."""
        return self._next()[0] - time.monotonic()

    def take(self, wire: Asked) -> None:
        """The next instrument's turn: all its requests, and one Parcel with what they gave.

        Whatever becomes of it, the others come first then: some servers hang up on one question.
        """
        number = self._next()[1]
        heapq.heappop(self._queue)
        station = self._stations[number]
        try:
            parcel = self._read(wire, station)
        finally:
            heapq.heappush(self._queue, (station.due_s, number))
        if parcel.samples or parcel.counts:
            self._sink(parcel)

    def _read(self, wire: Asked, station: ModbusStation) -> Parcel:
        try:
            image, failure = self._ask(wire, station)
        finally:
            station.polled()
        origin = Origin(station.name, self._clock.now_ms())
        found = decode(station.wire, image, origin)
        counts = list[Count](found.problems)
        if failure is None:
            counts += station.answered(origin)
        else:
            counts += station.failed(failure.what, failure.detail, origin, silent=failure.silent)
        return Parcel(tuple(found.samples(origin.arrival_ms)), tuple(counts))

    def _ask(
        self, wire: Asked, station: ModbusStation
    ) -> tuple[dict[tuple[ReadFunction, int], int], _Failure | None]:
        """What the instrument holds, as far as it said so, and what went wrong."""
        image: dict[tuple[ReadFunction, int], int] = {}
        failure: _Failure | None = None
        for request in station.requests:
            answer = wire.ask(request, station.timeout_s)
            if isinstance(answer, Answer):
                image |= held(request, answer)
            elif isinstance(answer, Refused) and not answer.by_the_gateway:
                failure = _Failure("modbus-exception", f"{asked(request)}: {answer}", silent=False)
            else:
                if isinstance(answer, NoAnswer) and answer.may_come:
                    # it could be taken for the answer to the next question
                    self._resting_until_s[request.unit] = time.monotonic() + station.timeout_s
                return image, _Failure(*in_words(request, answer, station.timeout_s), silent=True)
        return image, failure

    def _next(self) -> tuple[float, int]:
        """When the next turn is due, and whose it is; who has to rest goes back into the queue."""
        while True:
            due_s, number = self._queue[0]
            rested_s = self._resting_until_s.get(self._stations[number].wire.unit, 0.0)
            if rested_s <= due_s:
                return due_s, number
            heapq.heapreplace(self._queue, (rested_s, number))


def asked(request: Request) -> str:
    """A question in words."""
    return f"{request.function.name.lower().replace('_', ' ')} {request.address}, {request.count} of them"


def in_words(request: Request, answer: Refused | NoAnswer, timeout_s: float) -> tuple[str, str]:
    """What is to be counted when the unit gave no answer, and its detail."""
    if isinstance(answer, Refused):
        return "no-answer", f"{asked(request)}: {answer}"
    if answer.received:
        why = answer.why or "no good frame"
        return "bad-answer", f"{asked(request)}: {why} in {shortened(answer.received)}"[:160]
    if answer.why:
        return "no-answer", f"{asked(request)}: {answer.why}"
    return "no-answer", f"{asked(request)}: nothing within {timeout_s * 1000:.0f} ms"
