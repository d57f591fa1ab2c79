"""Readings from instruments on a Modbus RTU bus."""

from __future__ import annotations

import logging
import select
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass

import serial

from monitor.clock import Clock
from monitor.intake.decoded import Origin, shortened
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Parcel, Sink
from monitor.intake.link import Link
from monitor.intake.modbus_frame import Answer, ReadFunction, Refused, Request, is_garbled, take_answer
from monitor.intake.modbus_settings import Wire
from monitor.intake.modbus_station import Station
from monitor.intake.modbus_values import decode, held
from monitor.intake.serial_port import PORT_ERRORS, open_port
from monitor.intake.serial_settings import Port
from monitor.plant.model import Instrument
from monitor.readings import Count

log = logging.getLogger(__name__)

TURN_S = 0.2  # how long one wait lasts at most
# A whole answer with a wrong CRC is given up after so much quiet. The standard allows no pause within a
# frame; adapters and radios make some tens of milliseconds.
QUIET_S = 0.1
CHUNK = 4096
_BITS = 11  # of a byte on the line, with start, parity and stop


@dataclass(frozen=True, slots=True)
class _NoAnswer:
    """What came instead of an answer, if anything did."""

    received: bytes
    late: bool  # the answer may still come


class _Stopped(Exception):
    """The driver is told to stop while it waits for an answer."""


class ModbusRtuDriver:
    """All instruments of one bus, in one thread that owns the port.

    `instruments` are those whose wire is a `Wire` on this port. They are read in the order in which they
    fall due; what one of them costs the others is bounded by its own timeout, and a silent one is asked
    ever more seldom.
    """

    def __init__(
        self,
        port: Port,
        instruments: Sequence[Instrument],
        sink: Sink,
        clock: Clock,
        *,
        delays: Delays = growing_delays,
    ) -> None:
        self.port = port
        self.name = f"bus {port.id}"
        self._sink = sink
        self._clock = clock
        self._stations = [
            Station(i.id, i.wire, clock, delays)
            for i in instruments
            if isinstance(i.wire, Wire) and i.wire.port == port.id
        ]
        # Frames are 3.5 characters apart, at 19200 baud and faster 1.75 ms (Serial Line V1.02, 2.5.1.1).
        self._apart_s = max(0.00175, 3.5 * _BITS / port.baud)
        self._resting_until_s: dict[int, float] = {}  # units from which a late answer may still come
        self._last_byte_s = 0.0
        self._link = Link(self.name, sink, clock, delays)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"modbus {port.id}", daemon=True)

    def start(self) -> None:
        """Begin to open the port, and to try again for ever; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Close the port and join the thread."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with open_port(self.port, 0.0) as device:
                    self._link.is_up()
                    self._serve(device)
            except _Stopped:
                return
            except PORT_ERRORS as error:
                self._link.is_down(str(error) or type(error).__name__)
            except Exception as error:  # the supervisor of this thread: no fault ends intake
                log.exception("%s: unexpected fault, opening anew", self.name)
                self._link.is_down(f"{type(error).__name__}: {error}")
            if not self._stopping.is_set():
                self._link.wait(self._stopping)

    def _serve(self, device: serial.Serial) -> None:
        while True:
            station = min(self._stations, key=self._due_s)
            while (wait_s := self._due_s(station) - time.monotonic()) > 0:
                self._receive(device, wait_s)  # nobody was asked: what comes now is noise, or the plug pulled
            self._read(device, station)

    def _due_s(self, station: Station) -> float:
        return max(station.due_s, self._resting_until_s.get(station.wire.unit, 0.0))

    def _receive(self, device: serial.Serial, wait_s: float) -> bytes:
        """What has come, waiting a while for it; nothing when nothing did."""
        if self._stopping.is_set():
            raise _Stopped
        ready, _, _ = select.select([device.fileno()], [], [], min(wait_s, TURN_S))
        if not ready:
            return b""
        received: bytes = device.read(max(1, min(device.in_waiting, CHUNK)))
        self._last_byte_s = time.monotonic()
        return received

    def _read(self, device: serial.Serial, station: Station) -> None:
        """One turn of an instrument: all its requests, and one Parcel with what they gave."""
        image: dict[tuple[ReadFunction, int], int] = {}
        failure: tuple[str, str, bool] | None = None
        for request in station.requests:
            answer = self._ask(device, request, station.timeout_s)
            if isinstance(answer, Answer):
                image |= held(request, answer)
            elif isinstance(answer, Refused):
                failure = ("modbus-exception", f"{_asked(request)}: {answer}", False)
            else:
                failure = (*_in_words(request, answer, station.timeout_s), True)
                if answer.late:  # it could be taken for the answer to the next question
                    self._resting_until_s[request.unit] = time.monotonic() + station.timeout_s
                break
        station.polled()
        origin = Origin(station.name, self._clock.now_ms())
        found = decode(station.wire, image, origin)
        counts = list[Count](found.problems)
        if failure is None:
            counts += station.answered(origin)
        else:
            counts += station.failed(*failure[:2], origin, silent=failure[2])
        samples = tuple(found.samples(origin.arrival_ms))
        if samples or counts:
            self._sink(Parcel(samples, tuple(counts)))

    def _ask(self, device: serial.Serial, request: Request, timeout_s: float) -> Answer | Refused | _NoAnswer:
        apart_s = self._last_byte_s + self._apart_s - time.monotonic()
        if apart_s > 0:
            time.sleep(apart_s)
        device.reset_input_buffer()
        frame = request.rtu()
        device.write(frame)
        on_the_line_s = (len(frame) + request.answer_bytes) * _BITS / self.port.baud
        give_up_s = time.monotonic() + timeout_s + on_the_line_s
        pending = received = b""
        while (now_s := time.monotonic()) < give_up_s:
            if now_s - self._last_byte_s > QUIET_S and is_garbled(request, received):
                return _NoAnswer(received, late=False)
            more = self._receive(device, min(give_up_s - now_s, QUIET_S) if received else give_up_s - now_s)
            received = (received + more)[:CHUNK]
            used, answer = take_answer(request, pending + more)
            if answer is not None:
                return answer
            pending = (pending + more)[used:]
        return _NoAnswer(received, late=True)


def _asked(request: Request) -> str:
    return f"{request.function.name.lower().replace('_', ' ')} {request.address}, {request.count} of them"


def _in_words(request: Request, answer: _NoAnswer, timeout_s: float) -> tuple[str, str]:
    if answer.received:
        return "bad-answer", f"{_asked(request)}: no good frame in {shortened(answer.received)}"[:160]
    return "no-answer", f"{_asked(request)}: nothing within {timeout_s * 1000:.0f} ms"
