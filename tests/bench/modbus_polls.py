"""Modbus polls per second: our driver beside a library's client on the same wire in the same run.

`python -m tests.bench.modbus_polls` prints one line of JSON for each wire. Ten holding registers a poll, over
a pair of pseudo-terminals (no baud limit, but the pause that the standard wants between frames) and over
loopback TCP; pymodbus's server answers, in a process of its own. The anchor is pymodbus's synchronous client.
Ours is the whole driver: turns, decoding, Samples handed to a sink that counts them.
"""

from __future__ import annotations

import json
import logging
import os
import select
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.simulator import DataType, SimData, SimDevice

from monitor.clock import MachineClock
from monitor.intake.driver import Driver, LinkChange, Parcel, Sink
from monitor.intake.modbus_rtu import ModbusRtuDriver
from monitor.intake.modbus_settings import UnitWire, Wire
from monitor.intake.modbus_tcp import ModbusTcpDriver
from monitor.intake.modbus_tcp_settings import Server
from monitor.intake.modbus_tcp_settings import Wire as TcpWire
from monitor.intake.serial_settings import Port
from monitor.plant.model import Instrument
from tests.modbus_server import serving, serving_tcp
from tests.mosquitto import free_port
from tests.pseudo_terminal import link_to_another

BAUD = 19200
REGISTERS = 10
POLLS = 300
ROUNDS = 5
# The least interval of an instrument is 100 ms, so it takes this many of them to keep a wire busy.
INSTRUMENTS = 200

Row = dict[str, float | str]


def over_rtu(polls: int = POLLS, rounds: int = ROUNDS) -> Row:
    """Polls per second on a serial bus: {anchor, ours, ratio}."""
    with tempfile.TemporaryDirectory() as folder, _far_end("rtu", folder):
        port = Port(id="bus", device=f"{folder}/bus", baud=BAUD)
        settings = {"port": "bus", "unit": 1, "timeout": "2 s"}
        return _row(
            "modbus_rtu",
            lambda: _anchor(ModbusSerialClient(port.device, baudrate=BAUD, timeout=0.5, retries=1), polls),
            lambda: _ours(
                lambda sink: ModbusRtuDriver(port, _instruments(Wire, settings), sink, MachineClock()), polls
            ),
            rounds,
        )


def over_tcp(polls: int = POLLS, rounds: int = ROUNDS) -> Row:
    """Polls per second over loopback TCP: {anchor, ours, ratio}."""
    port = free_port()
    with _far_end("tcp", str(port)):
        server = Server(id="hall", host="127.0.0.1", port=port)
        settings = {"server": "hall", "unit": 1, "timeout": "2 s"}
        return _row(
            "modbus_tcp",
            lambda: _anchor(ModbusTcpClient("127.0.0.1", port=port, timeout=0.5, retries=1), polls),
            lambda: _ours(
                lambda sink: ModbusTcpDriver(server, _instruments(TcpWire, settings), sink, MachineClock()),
                polls,
            ),
            rounds,
        )


def measure() -> Row:
    """The row for the table: the serial bus."""
    return over_rtu()


def _row(name: str, anchor: Callable[[], float], ours: Callable[[], float], rounds: int) -> Row:
    """Medians, the two taken in turn so that a busy moment meets both."""
    pairs = [(anchor(), ours()) for _ in range(rounds)]
    row: Row = {"row": name, "unit": "polls/s"}
    row["anchor"] = round(statistics.median(pair[0] for pair in pairs), 1)
    row["ours"] = round(statistics.median(pair[1] for pair in pairs), 1)
    row["ratio"] = round(statistics.median(pair[1] / pair[0] for pair in pairs), 3)
    return row


def _anchor(client: ModbusSerialClient | ModbusTcpClient, polls: int) -> float:
    assert client.connect()
    try:
        begin_s = time.perf_counter()
        for _ in range(polls):
            answer = client.read_holding_registers(0, count=REGISTERS, device_id=1)
            assert answer.registers == list(range(REGISTERS))
        return polls / (time.perf_counter() - begin_s)
    finally:
        client.close()


def _instruments(kind: type[UnitWire], settings: dict[str, object]) -> list[Instrument]:
    made = []
    for n in range(INSTRUMENTS):
        names = [f"i{n}.r{address}" for address in range(REGISTERS)]
        value = [{"channel": c, "address": a, "type": "uint16"} for a, c in enumerate(names)]
        wire = kind.model_validate({**settings, "every": "100 ms", "value": value})
        span = {"quantity": "level", "unit": "mm", "range": (0, 1000), "resolution": 1}
        channels = [{"id": name, **span} for name in names]
        made.append(
            Instrument.model_validate(
                {"id": f"i{n}", "wire": wire, "expected_interval": "1 s", "channel": channels}
            )
        )
    return made


def _ours(make: Callable[[Sink], Driver], polls: int) -> float:
    times_s: list[float] = []
    done = threading.Event()

    def sink(given: Parcel | LinkChange) -> None:
        if isinstance(given, Parcel):
            assert [sample.value for sample in given.samples] == list(range(REGISTERS)), given
            times_s.append(time.perf_counter())
            if len(times_s) > polls:
                done.set()

    driver = make(sink)
    driver.start()
    try:
        assert done.wait(60), f"{len(times_s)} polls in a minute"
    finally:
        driver.stop()
    return polls / (times_s[polls] - times_s[0])


@contextmanager
def _far_end(kind: str, where: str) -> Iterator[None]:
    """The server, in a process of its own: else it would take its time from whoever is measured."""
    command = [sys.executable, "-m", "tests.bench.modbus_polls", "serve", kind, where]
    quiet = subprocess.DEVNULL  # the library logs what is under way at the end
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=quiet)
    try:
        assert process.stdout is not None and process.stdout.readline() == b"ready\n"
        yield
    finally:
        process.communicate(timeout=20)


def _serve(kind: str, where: str) -> None:
    """Until standard input ends."""
    values = [SimData(address=0, values=list(range(100)), datatype=DataType.REGISTERS)]
    device = SimDevice(id=1, simdata=values)
    if kind == "tcp":
        with serving_tcp(int(where), [device]):
            _until_the_end()
        return
    near, far = (link_to_another(Path(where) / name)[0] for name in ("bus", "far"))
    threading.Thread(target=_join, args=(near, far), daemon=True).start()
    with serving(Path(where) / "far", [device]):
        _until_the_end()


def _join(near: int, far: int) -> None:
    """Carry bytes between two pseudo-terminals, as fast as they come."""
    poll = select.poll()
    for end in (near, far):
        poll.register(end, select.POLLIN)
    while True:
        for end, event in poll.poll():
            if event & select.POLLIN:
                os.write(far if end == near else near, os.read(end, 4096))
            else:  # nobody has it open
                time.sleep(0.001)


def _until_the_end() -> None:
    print("ready", flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    logging.disable()  # the library's complaint about a connection that is closed
    if sys.argv[1:2] == ["serve"]:
        _serve(*sys.argv[2:4])
    else:
        for row in (over_rtu(), over_tcp()):
            print(json.dumps(row), flush=True)
