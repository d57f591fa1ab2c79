"""Listening in on a serial port: whatever lines it prints, shown as they come. Nothing is sent."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Sequence

import serial

from monitor.clock import MachineClock
from monitor.commands.listen.broker import Show, as_guessed
from monitor.commands.listen.guess_line import Form, form_of, guess_line, shape
from monitor.commands.listen.shown import plain, plain_bytes
from monitor.commands.listen.sources import Source, Sources
from monitor.intake.decoded import Origin
from monitor.intake.kept_open import ready
from monitor.intake.lines import LineBuffer, LineReader, line_from
from monitor.intake.serial_port import open_port, take
from monitor.intake.serial_settings import DELIMITERS, Port, Wire, delimiter_bytes
from monitor.plant.model import Instrument

_MOST_LINES = 500  # kept, to find what they have in common
_BEFORE_GUESSING = 64  # bytes, or
_GUESS_AFTER_S = 2.0  # so long, before the delimiter is guessed
_GARBLED = 0.3  # of unprintable bytes: the speed is wrong


class PortEar:
    """One serial port that is listened to. `delimiter` None: it is guessed."""

    def __init__(
        self, port: Port, instruments: Sequence[Instrument], show: Show, *, guess_delimiter: bool
    ) -> None:
        self.port = port
        self.silent_until_asked = sum(
            isinstance(i.wire, Wire) and i.wire.ask is not None for i in instruments
        )
        self._readers = [
            (i.id, LineReader(i.wire, port.encoding, i.channel))
            for i in instruments
            if isinstance(i.wire, Wire)
        ]
        self._show = show
        self._first = b""  # until the delimiter is known
        self._opened_s = 0.0
        self._buffer = None if guess_delimiter else self._buffer_for(delimiter_bytes(port.delimiter))
        self._device: serial.Serial | None = None
        self._lines: deque[tuple[str, float]] = deque(maxlen=_MOST_LINES)
        self._received = self._strange = 0
        self.delimiter = port.delimiter
        self.high_bytes = False  # some were not ASCII
        self.configured = 0  # lines that an instrument of the site reads

    @property
    def name(self) -> str:
        return self.port.device

    @property
    def is_garbled(self) -> bool:
        """So many bytes are no text that the speed must be wrong."""
        return self._received >= 20 and self._strange > _GARBLED * self._received

    @property
    def has_heard(self) -> bool:
        return self._received > 0

    def open(self) -> None:
        """Raises: one of PORT_ERRORS."""
        self._device = open_port(self.port)
        self._opened_s = time.monotonic()

    def turn(self, wait_s: float) -> None:
        """Show what has come meanwhile. Raises: one of PORT_ERRORS."""
        assert self._device is not None
        if not ready(self._device.fileno(), wait_s):
            return
        received = take(self._device)
        self._received += len(received)
        self._strange += sum(
            (byte < 32 and byte not in b"\t\r\n\x02\x03\x04") or byte >= 127 for byte in received
        )
        self.high_bytes |= any(byte > 127 for byte in received)
        for line in self._cut(received):
            self._take_line(line)

    def close(self) -> None:
        if self._device is not None:
            self._device.close()

    def form(self) -> Form:
        """What the lines have in common."""
        return form_of([line for line, _ in self._lines])

    def sources(self, form: Form) -> list[tuple[Source, str]]:
        """The lines by their shape, each with the last one of it."""
        gathered = Sources()
        last: dict[str, str] = {}
        for line, at_s in self._lines:
            known = shape(line, form)
            gathered.heard(known, guess_line(line, form), at_s)
            last[known] = line
        return [(source, last[known]) for known, source in gathered.known.items() if source.seen]

    def _cut(self, received: bytes) -> list[bytes]:
        if self._buffer is not None:
            return self._buffer.feed(received)
        self._first += received
        waited = time.monotonic() - self._opened_s > _GUESS_AFTER_S
        enough = len(self._first) >= _BEFORE_GUESSING or waited
        found = next((name for name in ("lf", "cr", "etx") if DELIMITERS[name] in self._first), None)
        if found is None or not enough:
            self._first = self._first[-4096:]
            return []
        self.delimiter = found
        self._buffer = self._buffer_for(DELIMITERS[found])
        _, _, first = self._first.partition(DELIMITERS[found])  # what stands before may be half a line
        return self._buffer.feed(first)

    def _buffer_for(self, delimiter: bytes) -> LineBuffer:
        return LineBuffer(delimiter, self.port.max_line, self.port.trailer)

    def _take_line(self, line: bytes) -> None:
        if not line.strip():
            return
        read: list[tuple[str, str]] = []
        for whose, reader in self._readers:
            found = line_from(
                line, self.port.encoding, [reader], Origin(self.port.id, MachineClock().now_ms())
            )
            if found is None or not found.readers:
                continue
            values = [f"{s.channel} = {s.value:.10g}" for s in found.parcel.samples]
            values += [f"{count.what} ({plain(count.detail)})" for count in found.parcel.counts]
            read.append((whose, ", ".join(values)))
        for whose, said in read:
            self._show(plain_bytes(line), "line", said, whose)
        self.configured += bool(read)
        if read:
            return
        text = line.decode("utf-8", "replace") if self.port.encoding == "ascii" else line.decode("latin-1")
        self._lines.append((text, time.monotonic()))
        found_line = guess_line(text, Form())
        self._show(
            plain_bytes(line), "line", as_guessed(found_line) if found_line.parts else "no number in it", ""
        )
