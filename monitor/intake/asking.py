"""Instruments on one line that speak only when asked: one question at a time, and whose the answer is."""

from __future__ import annotations

import time
from collections.abc import Sequence

from monitor.clock import Clock
from monitor.intake.decoded import Origin
from monitor.intake.delays import Delays
from monitor.intake.lines import LineReader
from monitor.intake.station import Station
from monitor.readings import Count

QUIET_S = 0.1  # an answer of several lines has no longer pause in it


class Asked(Station):
    """One of them: its question, and its reading of the answer."""

    def __init__(
        self, name: str, reader: LineReader, question: bytes, every_ms: int, clock: Clock, delays: Delays
    ) -> None:
        super().__init__(name, every_ms, reader.wire.timeout, clock, delays)
        self.reader = reader
        self.question = question


class Asking:
    """Who is asked next on one port. Used by the driver's thread only.

    What comes belongs to whom was asked last: answers of meters of one make look the same.
    """

    def __init__(self, stations: Sequence[Asked]) -> None:
        self._stations = stations
        self.addressee: Asked | None = None
        self._until_s = 0.0  # nobody is asked before
        self._answer_by_s = 0.0
        self._waiting = False  # for an answer that may still come in time

    def wait_s(self, at_most: float) -> float:
        """Seconds until something is to be done, at most `at_most`."""
        if not self._stations:
            return at_most
        due_s = self._until_s if self._waiting else max(self._until_s, self._next().due_s)
        return min(at_most, max(0.0, due_s - time.monotonic()))

    def turn(self, origin: Origin) -> tuple[bytes, list[Count]]:
        """The question to send now, if it is time for one, and what is to be told of one not answered."""
        now_s = time.monotonic()
        if not self._stations or now_s < self._until_s:
            return b"", []
        if self._waiting and self.addressee is not None:
            self._waiting = False
            self._until_s = (
                now_s + self.addressee.timeout_s
            )  # a late answer must not be taken for the next one
            about = Origin(self.addressee.name, origin.arrival_ms)
            detail = f"nothing within {self.addressee.timeout_s * 1000:.0f} ms"
            return b"", self.addressee.failed("no-answer", detail, about, silent=True)
        station = self._next()
        if station.due_s > now_s:
            return b"", []
        self.addressee = station
        self._waiting = True
        self._until_s = self._answer_by_s = now_s + station.timeout_s
        station.polled()
        return station.question, []

    def answered(self, origin: Origin) -> list[Count]:
        """A line of the one who was asked has come."""
        if self.addressee is None:
            return []
        self._waiting = False
        # One that goes on talking without being asked does not keep the others waiting.
        self._until_s = min(time.monotonic() + QUIET_S, self._answer_by_s)
        return self.addressee.answered(Origin(self.addressee.name, origin.arrival_ms))

    def opened(self) -> None:
        """The port was opened anew: no answer is on its way."""
        self.addressee = None
        self._waiting = False
        self._until_s = 0.0

    def _next(self) -> Asked:
        return min(self._stations, key=lambda station: station.due_s)
