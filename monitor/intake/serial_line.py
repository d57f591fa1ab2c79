"""Readings from instruments that write lines of text to a serial port."""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from functools import partial

import serial

from monitor.clock import Clock
from monitor.intake.asking import Asked, Asking
from monitor.intake.decoded import Origin, shortened
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Parcel, Sink
from monitor.intake.kept_open import KeptOpen
from monitor.intake.lines import LineBuffer, LineReader, line_from
from monitor.intake.link import Link
from monitor.intake.serial_port import PORT_ERRORS, open_port, take
from monitor.intake.serial_settings import Port, Wire, delimiter_bytes
from monitor.plant.model import Instrument

log = logging.getLogger(__name__)

TURN_S = 0.5  # how long one wait lasts at most
QUIET_S = 0.2  # bytes within a line follow each other much faster than this
BROKEN_S = 2.0  # the rest of a line that has not come by then will not come


class SerialLineDriver:
    """All instruments of one serial port, in one thread.

    `instruments` are those whose wire is a `Wire` on this port. A line belongs to every instrument whose
    pattern it matches; of those that speak only when asked, to the one that was asked last.
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
        self.name = f"serial port {port.id}"
        self._sink = sink
        self._clock = clock
        self._delimiter = delimiter_bytes(port.delimiter)
        self._listening: list[LineReader] = []
        asked: list[Asked] = []
        for instrument in instruments:
            wire = instrument.wire
            if not isinstance(wire, Wire) or wire.port != port.id:
                continue
            reader = LineReader(wire, port.encoding, instrument.channel)
            if wire.ask is None or wire.ask_every is None:
                self._listening.append(reader)
            else:
                question = port.question(wire.ask, wire.ask_end)
                asked.append(Asked(instrument.id, reader, question, wire.ask_every, clock, delays))
        self._asking = Asking(asked)
        self._link = Link(self.name, sink, clock, delays)
        self._logged: set[str] = set()  # kinds of bad line whose raw text is in the log already
        self._kept = KeptOpen(
            self._link, partial(open_port, port), self._serve, PORT_ERRORS, thread=f"serial {port.id}"
        )

    def start(self) -> None:
        """Begin to open the port, and to try again for ever; returns at once."""
        self._kept.start()

    def stop(self) -> None:
        """Close the port and join the thread."""
        self._kept.stop()

    def _serve(self, device: serial.Serial) -> None:
        buffer = LineBuffer(self._delimiter, self.port.max_line, self.port.trailer)
        self._asking.opened()
        self._settle(device, buffer)
        last_s = time.monotonic()
        while True:
            self._ask(device)
            received = self._receive(device, self._asking.wait_s(TURN_S))
            now_s = time.monotonic()
            if buffer.pending and now_s - last_s > BROKEN_S:
                self._count("broken-line", buffer.pending)
                # What comes now may be the rest of it or a new line; neither may be taken for a whole one.
                buffer.skip()
            if received:
                last_s = now_s
                self._take(buffer, received)

    def _settle(self, device: serial.Serial, buffer: LineBuffer) -> None:
        """Find the beginning of a line, then tell that the port is there.

        Opened in the middle of a line, its tail would be a wrong number that parses ("2.35" of "12.35").
        After a moment of quiet the next byte begins a line; otherwise all up to a delimiter is dropped.
        """
        heard = self._receive(device, QUIET_S)
        self._link.is_up()
        if heard:
            buffer.skip()
            self._take(buffer, heard)

    def _receive(self, device: serial.Serial, wait_s: float) -> bytes:
        return take(device) if self._kept.ready(device.fileno(), wait_s) else b""

    def _ask(self, device: serial.Serial) -> None:
        question, counts = self._asking.turn(self._origin())
        if counts:
            self._sink(Parcel(counts=tuple(counts)))
        if question:
            device.write(question)

    def _take(self, buffer: LineBuffer, received: bytes) -> None:
        before = buffer.too_long
        lines = buffer.feed(received)
        for _ in range(buffer.too_long - before):
            self._count("line-too-long", b"")
        for line in lines:
            self._take_line(line)

    def _take_line(self, line: bytes) -> None:
        addressee = self._asking.addressee
        if addressee is not None and line + self._delimiter == addressee.question:
            return  # an adapter on two wires hears what it sends
        readers = [*self._listening, *([addressee.reader] if addressee is not None else [])]
        origin = self._origin()
        found = line_from(line, self.port.encoding, readers, origin)
        if found is None:
            return
        for count in found.parcel.counts:
            self._log_once(count.what, line)
        counts = found.parcel.counts
        if addressee is not None and addressee.reader in found.readers:
            counts += tuple(self._asking.answered(origin))
        self._sink(Parcel(found.parcel.samples, counts))

    def _count(self, what: str, line: bytes) -> None:
        self._log_once(what, line)
        self._sink(Parcel(counts=(self._origin().count(what, shortened(line) if line else ""),)))

    def _origin(self) -> Origin:
        return Origin(self.port.id, self._clock.now_ms())

    def _log_once(self, what: str, line: bytes) -> None:
        if what not in self._logged:
            self._logged.add(what)
            log.warning("%s: %s, first seen as %r; further ones are only counted", self.name, what, line)
