"""Readings from instruments on a Modbus RTU bus."""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import partial

import serial

from monitor.clock import Clock
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Sink
from monitor.intake.kept_open import KeptOpen, Ready
from monitor.intake.link import Link
from monitor.intake.modbus_frame import Answer, NoAnswer, Refused, Request, is_garbled, take_answer
from monitor.intake.modbus_poll import Turns
from monitor.intake.modbus_settings import Wire
from monitor.intake.serial_port import PORT_ERRORS, open_port, take
from monitor.intake.serial_settings import Port
from monitor.plant.model import Instrument

# A whole answer with a wrong CRC is given up after so much quiet. The standard allows no pause within a
# frame; adapters and radios make some tens of milliseconds.
QUIET_S = 0.1
CHUNK = 4096
_BITS = 11  # of a byte on the line, with start, parity and stop


class Bus:
    """An open port as the master of a bus. Raises one of PORT_ERRORS when the port is lost."""

    def __init__(self, device: serial.Serial, ready: Ready) -> None:
        self._device = device
        self._ready = ready
        # Frames are 3.5 characters apart, at 19200 baud and faster 1.75 ms (Serial Line V1.02, 2.5.1.1).
        self._apart_s = max(0.00175, 3.5 * _BITS / device.baudrate)
        self._last_byte_s = 0.0

    def ask(self, request: Request, timeout_s: float) -> Answer | Refused | NoAnswer:
        """The answer, or what came instead within `timeout_s` and the time the bytes take on the line."""
        apart_s = self._last_byte_s + self._apart_s - time.monotonic()
        if apart_s > 0:
            time.sleep(apart_s)
        self._device.reset_input_buffer()
        frame = request.rtu()
        self._device.write(frame)
        on_the_line_s = (len(frame) + request.answer_bytes) * _BITS / self._device.baudrate
        give_up_s = time.monotonic() + timeout_s + on_the_line_s
        pending = received = b""
        while (now_s := time.monotonic()) < give_up_s:
            if now_s - self._last_byte_s > QUIET_S and is_garbled(request, received):
                return NoAnswer(received)
            more = self.receive(min(give_up_s - now_s, QUIET_S) if received else give_up_s - now_s)
            received = (received + more)[:CHUNK]
            used, answer = take_answer(request, pending + more)
            if answer is not None:
                return answer
            pending = (pending + more)[used:]
        return NoAnswer(received, may_come=True)

    def receive(self, wait_s: float) -> bytes:
        """What has come, waiting a while for it; nothing when nothing did."""
        if not self._ready(self._device.fileno(), wait_s):
            return b""
        received = take(self._device)
        self._last_byte_s = time.monotonic()
        return received


class ModbusRtuDriver:
    """All instruments of one bus, in one thread that owns the port.

    `instruments` are those whose wire is a `Wire` on this port.
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
        self.name = f"bus {port.id}"
        here = [i for i in instruments if isinstance(i.wire, Wire) and i.wire.port == port.id]
        self._turns = Turns(here, sink, clock, delays)
        self._link = Link(self.name, sink, clock, delays)
        self._kept = KeptOpen(
            self._link, partial(open_port, port), self._serve, PORT_ERRORS, thread=f"modbus {port.id}"
        )

    def start(self) -> None:
        """Begin to open the port, and to try again for ever; returns at once."""
        self._kept.start()

    def stop(self) -> None:
        """Close the port and join the thread."""
        self._kept.stop()

    def _serve(self, device: serial.Serial) -> None:
        self._link.is_up()
        bus = Bus(device, self._kept.ready)
        while True:
            while (wait_s := self._turns.wait_s()) > 0:
                bus.receive(wait_s)  # nobody was asked: what comes now is noise, or the plug pulled
            self._turns.take(bus)
