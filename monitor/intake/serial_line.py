"""Readings from instruments that write lines of text to a serial port."""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from functools import partial

import serial

from monitor.clock import Clock
from monitor.intake.decoded import Origin, shortened
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Parcel, Sink
from monitor.intake.kept_open import KeptOpen
from monitor.intake.lines import LineBuffer, LineReader
from monitor.intake.link import Link
from monitor.intake.serial_port import PORT_ERRORS, open_port, take
from monitor.intake.serial_settings import DELIMITERS, Port, Wire
from monitor.plant.model import Instrument
from monitor.readings import Count, Sample

log = logging.getLogger(__name__)

TURN_S = 0.5  # how long one wait lasts at most
QUIET_S = 0.2  # bytes within a line follow each other much faster than this
BROKEN_S = 2.0  # the rest of a line that has not come by then will not come


class _Question:
    """One instrument's request for a value, sent at its interval."""

    def __init__(self, text: bytes, every_ms: int, clock: Clock) -> None:
        self.text = text
        self._every_s = every_ms / 1000
        self._clock = clock
        self.due_s = time.monotonic()

    def asked(self) -> None:
        self.due_s = time.monotonic() + self._clock.machine_s(self._every_s)


class SerialLineDriver:
    """All instruments of one serial port, in one thread.

    `instruments` are those whose wire is a `Wire` on this port. A line belongs to every instrument whose
    pattern it matches.
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
        self._delimiter = DELIMITERS[port.delimiter]
        here = [(i.wire, i) for i in instruments if isinstance(i.wire, Wire) and i.wire.port == port.id]
        self._readers = [LineReader(wire, port.encoding, i.channel) for wire, i in here]
        self._questions = [
            _Question(wire.ask.encode(port.encoding) + self._delimiter, wire.ask_every, clock)
            for wire, _ in here
            if wire.ask is not None and wire.ask_every is not None
        ]
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
        buffer = LineBuffer(self._delimiter, self.port.max_line)
        self._settle(device, buffer)
        last_s = time.monotonic()
        while True:
            wait_s = self._ask(device)
            received = self._receive(device, wait_s)
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

    def _ask(self, device: serial.Serial) -> float:
        """Send the requests that are due; seconds until the next one, at most TURN_S."""
        wait_s = TURN_S
        for question in self._questions:
            if question.due_s <= time.monotonic():
                device.write(question.text)
                question.asked()
            wait_s = min(wait_s, max(0.0, question.due_s - time.monotonic()))
        return wait_s

    def _take(self, buffer: LineBuffer, received: bytes) -> None:
        before = buffer.too_long
        lines = buffer.feed(received)
        for _ in range(buffer.too_long - before):
            self._count("line-too-long", b"")
        for line in lines:
            self._take_line(line)

    def _take_line(self, line: bytes) -> None:
        try:
            text = line.decode(self.port.encoding).strip(" \t\r\n\0\x02")
        except UnicodeDecodeError:
            self._count("undecodable-line", line)
            return
        if not text:
            return
        origin = Origin(self.port.id, self._clock.now_ms())
        read = [found for reader in self._readers if (found := reader.read(text, origin)) is not None]
        if not read:
            self._count("unmatched-line", line)
            return
        samples: list[Sample] = []
        counts: list[Count] = []
        for found in read:
            counts += found.problems
            samples += found.samples(origin.arrival_ms)
        for count in counts:
            self._log_once(count.what, line)
        self._sink(Parcel(tuple(samples), tuple(counts)))

    def _count(self, what: str, line: bytes) -> None:
        self._log_once(what, line)
        origin = Origin(self.port.id, self._clock.now_ms())
        self._sink(Parcel(counts=(origin.count(what, shortened(line) if line else ""),)))

    def _log_once(self, what: str, line: bytes) -> None:
        if what not in self._logged:
            self._logged.add(what)
            log.warning("%s: %s, first seen as %r; further ones are only counted", self.name, what, line)
