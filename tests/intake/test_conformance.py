"""What every driver does, whatever its wire. A new driver joins with a class and a line in `WIRES`."""

from __future__ import annotations

import asyncio
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Protocol

import pytest
from pymodbus.constants import ExcCodes
from pymodbus.simulator import DataType, SimData, SimDevice

from monitor.intake import mqtt
from monitor.intake.driver import Driver, LinkChange, Parcel, Sink
from monitor.intake.logger_file import LoggerFileDriver
from monitor.intake.logger_settings import Logger
from monitor.intake.logger_settings import Wire as LoggerWire
from monitor.intake.modbus_rtu import ModbusRtuDriver
from monitor.intake.modbus_settings import Wire as ModbusWire
from monitor.intake.modbus_tcp import ModbusTcpDriver
from monitor.intake.modbus_tcp_settings import Server
from monitor.intake.modbus_tcp_settings import Wire as ModbusTcpWire
from monitor.intake.mqtt import MqttDriver
from monitor.intake.mqtt_settings import Broker
from monitor.intake.mqtt_settings import Wire as MqttWire
from monitor.intake.serial_line import SerialLineDriver
from monitor.intake.serial_settings import Port
from monitor.intake.serial_settings import Wire as SerialWire
from simulator.wires.rtu import framed
from tests.intake.recorder import Recorder
from tests.intake.shop import NOW_MS, StillClock, meter, soon
from tests.modbus_server import serving_tcp
from tests.mosquitto import Mosquitto, free_port
from tests.pseudo_terminal import PseudoTerminal
from tests.waiting import eventually, stays

TIME_MS = 1_759_999_990_000
TIME = "2025-10-09T08:53:10Z"  # the same in words


class Bench(Protocol):
    """A wire with a meter at its far end. At first the wire is not there."""

    time_ms: int | None  # what its values carry as their own time

    def driver(self, sink: Sink) -> Driver: ...

    def connect(self) -> None: ...

    def cut(self) -> None: ...

    def send(self, value: float) -> None: ...

    def send_garbage(self) -> None: ...


class OverMqtt:
    time_ms = TIME_MS

    def __init__(self, broker: Mosquitto, version: str) -> None:
        self._broker = broker
        settings: dict[str, object] = {
            "id": "hall",
            "host": broker.host,
            "port": broker.port,
            "version": version,
        }
        if broker.certificates is not None:
            settings["tls"] = {"ca_file": broker.certificates.ca_file.name}
        self._settings = Broker.model_validate(settings)
        self._wire = MqttWire.model_validate(
            {
                "broker": "hall",
                "topic": "shop/di",
                "payload": {"kind": "json", "values": {"di-out.ec": "/ec"}, "time": "/t"},
            }
        )

    def driver(self, sink: Sink) -> Driver:
        return MqttDriver(
            self._settings,
            [meter(self._wire)],
            sink,
            StillClock(),
            site="hall",
            folder=self._broker.folder,
            delays=soon,
        )

    def connect(self) -> None:
        self._broker.start()

    def cut(self) -> None:
        self._broker.kill()

    def send(self, value: float) -> None:
        self._broker.publish("shop/di", f'{{"ec": {value}, "t": {TIME_MS}}}')

    def send_garbage(self) -> None:
        self._broker.publish("shop/di", b"\xff\x00garbage", b"", b'{"ec": NaN}', b"[" * 5000, b"x" * 100_000)


class OverSerialLines:
    time_ms = TIME_MS

    def __init__(self, terminal: PseudoTerminal) -> None:
        self._terminal = terminal
        terminal.unplug()
        self._port = Port(id="com", device=str(terminal.device))
        self._wire = SerialWire.model_validate(
            {
                "port": "com",
                "pattern": r"EC (?P<ec>\S+) (?P<t>\d+)",
                "values": {"di-out.ec": "ec"},
                "time": "t",
                "time_unit": "ms",
            }
        )

    def driver(self, sink: Sink) -> Driver:
        return SerialLineDriver(self._port, [meter(self._wire)], sink, StillClock(), delays=soon)

    def connect(self) -> None:
        self._terminal.plug()

    def cut(self) -> None:
        self._terminal.unplug()

    def send(self, value: float) -> None:
        self._terminal.write(f"EC {value} {TIME_MS}\r\n".encode())

    def send_garbage(self) -> None:
        self._terminal.write(b"\xff\x00garbage\n\nEC NaN 1\n" + b"x" * 1000 + b"\n")


class OverAskedLines(OverSerialLines):
    """The meter answers when it is asked."""

    def __init__(self, terminal: PseudoTerminal) -> None:
        super().__init__(terminal)
        asked = {"ask": "R?", "ask_every": "100 ms", "timeout": "10 s"}
        self._wire = SerialWire.model_validate(self._wire.model_dump(exclude_unset=True) | asked)

    def send(self, value: float) -> None:
        self._terminal.heard(0.5)
        super().send(value)


class OverModbus:
    """The meter answers when it has something to say: a value waits for the next question."""

    time_ms = None

    def __init__(self, terminal: PseudoTerminal) -> None:
        self._terminal = terminal
        terminal.unplug()
        self._port = Port(id="com", device=str(terminal.device))
        self._wire = ModbusWire.model_validate(
            {
                "port": "com",
                "unit": 7,
                "every": "100 ms",
                "timeout": "10 s",
                "value": [{"channel": "di-out.ec", "address": 0, "type": "float32"}],
            }
        )

    def driver(self, sink: Sink) -> Driver:
        return ModbusRtuDriver(self._port, [meter(self._wire)], sink, StillClock(), delays=soon)

    def connect(self) -> None:
        self._terminal.plug()

    def cut(self) -> None:
        self._terminal.unplug()

    def send(self, value: float) -> None:
        self._answer(framed(struct.pack(">BBBf", 7, 3, 4, value)))

    def send_garbage(self) -> None:
        good = framed(struct.pack(">BBBf", 7, 3, 4, 1.0))
        self._answer(b"\xff\x00" + good[:-1] + bytes([good[-1] ^ 1]))
        self._answer(framed(struct.pack(">BBBf", 7, 3, 4, float("nan"))))
        self._answer(framed(bytes([7, 0x83, 2])))

    def _answer(self, frame: bytes) -> None:
        if self._terminal.heard(5.0):
            self._terminal.write(frame)


class OverModbusTcp:
    """pymodbus's server; it holds its answer back until the meter has something to say."""

    time_ms = None

    def __init__(self, stack: ExitStack) -> None:
        self._said: list[float | ExcCodes | bytes] = []
        self._bent = b""  # what the next answer says instead
        self._served = stack.enter_context(ExitStack())
        self._server = Server(id="hall", host="127.0.0.1", port=free_port())
        self._wire = ModbusTcpWire.model_validate(
            {
                "server": "hall",
                "unit": 7,
                "every": "100 ms",
                "timeout": "10 s",
                "value": [{"channel": "di-out.ec", "address": 0, "type": "float32"}],
            }
        )

    def driver(self, sink: Sink) -> Driver:
        return ModbusTcpDriver(self._server, [meter(self._wire)], sink, StillClock(), delays=soon)

    def connect(self) -> None:
        registers = SimData(address=0, values=[0, 0], datatype=DataType.REGISTERS)
        device = SimDevice(id=7, simdata=[registers], action=self._answer)
        self._served.enter_context(serving_tcp(self._server.port, [device], bend=self._bend))

    def cut(self) -> None:
        self._served.close()

    def send(self, value: float) -> None:
        self._said.append(value)

    def send_garbage(self) -> None:
        self._said += [b"\x00\x07garbage", float("nan"), ExcCodes.DEVICE_FAILURE]

    async def _answer(
        self, code: int, start: int, at: int, count: int, held: list[int], asked: object
    ) -> ExcCodes | None:
        while not self._said:
            await asyncio.sleep(0.002)
        said = self._said.pop(0)
        if isinstance(said, ExcCodes):
            return said
        if isinstance(said, bytes):
            self._bent = said
        else:
            held[:2] = struct.unpack(">2H", struct.pack(">f", said))
        return None

    def _bend(self, answer: bytes) -> bytes:
        bent, self._bent = self._bent, b""
        return bent or answer


class OverLoggerFiles:
    """The meter's logger adds a row to a file; the wire is cut by taking the file away."""

    time_ms = TIME_MS

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file = folder / "train.csv"
        self._logger = Logger.model_validate(
            {"id": "com", "files": ["train*.csv"], "time": ["time"], "every": "20 ms"}
        )
        self._wire = LoggerWire.model_validate({"logger": "com", "values": {"di-out.ec": "EC"}})

    def driver(self, sink: Sink) -> Driver:
        return LoggerFileDriver(
            self._logger,
            [meter(self._wire)],
            sink,
            StillClock(),
            folder=self._folder,
            data=self._folder,
            zone="UTC",
            delays=soon,
        )

    def connect(self) -> None:
        self._file.write_text("time,EC\n", encoding="utf-8")

    def cut(self) -> None:
        self._file.unlink()

    def send(self, value: float) -> None:
        self._add(f"{TIME},{value}\n".encode())

    def send_garbage(self) -> None:
        self._add(b"\xff\x00garbage\n\n" + f"{TIME},NaN\n".encode() + b"x" * 200_000 + b"\n")

    def _add(self, written: bytes) -> None:
        with self._file.open("ab") as file:
            file.write(written)


# by the fixture that makes its far end
WIRES: dict[str, tuple[str, Callable[..., Bench]]] = {
    "mqtt 5": ("make_broker", lambda broker: OverMqtt(broker(), "5")),
    "mqtt 3.1.1": ("make_broker", lambda broker: OverMqtt(broker(), "3.1.1")),
    "mqtt 5 over TLS": ("make_broker", lambda broker: OverMqtt(broker(tls=True), "5")),
    "mqtt 3.1.1 over TLS": ("make_broker", lambda broker: OverMqtt(broker(tls=True), "3.1.1")),
    "serial lines": ("pty_pair", OverSerialLines),
    "serial lines, asked": ("pty_pair", OverAskedLines),
    "modbus rtu": ("pty_pair", OverModbus),
    "modbus tcp": ("stack", OverModbusTcp),
    "logger files": ("tmp_path", OverLoggerFiles),
}


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as made:
        yield made


@pytest.fixture(params=WIRES)
def bench(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setattr(mqtt, "TURN_S", 0.02)  # a stop is noticed at the end of a turn
    far_end, make = WIRES[request.param]
    return make(request.getfixturevalue(far_end))


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


@pytest.fixture
def driver(bench: Bench, recorder: Recorder) -> Iterator[Driver]:
    made = bench.driver(recorder)
    yield made
    made.stop()


@pytest.fixture
def running(bench: Bench, driver: Driver, recorder: Recorder) -> Driver:
    """A driver whose wire is there."""
    bench.connect()
    driver.start()
    eventually(recorder.is_up)
    return driver


@pytest.mark.usefixtures("running")
def test_a_value_becomes_a_sample_with_the_time_it_carries_and_that_of_its_arrival(
    bench: Bench, recorder: Recorder
) -> None:
    bench.send(12.5)
    (sample,) = eventually(lambda: recorder.samples)
    assert (sample.channel, sample.value) == ("di-out.ec", 12.5)
    assert (sample.time_ms, sample.arrival_ms) == (bench.time_ms, NOW_MS)
    assert recorder.counts == []


@pytest.mark.usefixtures("running")
def test_garbage_is_counted_and_the_next_value_arrives(bench: Bench, recorder: Recorder) -> None:
    bench.send_garbage()
    bench.send(7.5)
    eventually(lambda: recorder.values)
    assert recorder.values == [7.5]
    assert len(recorder.counts) >= 3
    assert all(count.subject and count.what and count.time_ms == NOW_MS for count in recorder.counts)
    assert all(len(count.detail) < 200 for count in recorder.counts)
    assert [link.up for link in recorder.links] == [True]


def test_a_wire_that_is_not_there_at_the_start_is_told_once_and_taken_when_it_comes(
    bench: Bench, driver: Driver, recorder: Recorder
) -> None:
    driver.start()
    eventually(recorder.is_down)
    stays(lambda: len(recorder.links) == 1, 0.2)  # some 10 tries
    bench.connect()
    eventually(recorder.is_up)
    bench.send(1.5)
    eventually(lambda: recorder.values == [1.5])
    assert [link.up for link in recorder.links] == [False, True]


def test_a_lost_wire_is_told_once_and_values_come_again_when_it_is_back(
    bench: Bench, running: Driver, recorder: Recorder
) -> None:
    for turn in range(2):
        bench.cut()
        eventually(recorder.is_down)
        bench.connect()
        eventually(recorder.is_up)
        bench.send(turn)
        eventually(lambda turn=turn: recorder.values[-1:] == [turn])
    ups = [link for link in recorder.links if link.up]
    assert len(ups) == 3
    assert {link.link for link in recorder.links} == {running.name}
    assert all(link.detail for link in recorder.links if not link.up)


@pytest.mark.usefixtures("running")
def test_the_thread_has_a_name(recorder: Recorder) -> None:
    names = [thread.name for thread in threading.enumerate()]
    assert any(
        name in ("mqtt hall", "serial com", "modbus com", "modbus hall", "logger com") for name in names
    )


def test_nothing_is_handed_over_after_stop(bench: Bench, running: Driver, recorder: Recorder) -> None:
    bench.send(1)
    eventually(lambda: recorder.values)
    running.stop()
    before = recorder.given
    bench.send(2)
    stays(lambda: recorder.given == before, 0.1)


def test_a_driver_can_be_stopped_while_its_wire_is_missing_and_before_it_starts(
    bench: Bench, driver: Driver, recorder: Recorder
) -> None:
    bench.driver(recorder).stop()
    driver.start()
    eventually(recorder.is_down)
    driver.stop()


def test_a_fault_behind_the_sink_does_not_end_intake(
    bench: Bench, recorder: Recorder, caplog: pytest.LogCaptureFixture
) -> None:
    faults = [RuntimeError("a fault of our own")]

    def sink(given: Parcel | LinkChange) -> None:
        if isinstance(given, Parcel) and faults:
            raise faults.pop()
        recorder(given)

    driver = bench.driver(sink)
    bench.connect()
    driver.start()
    try:
        eventually(recorder.is_up)
        bench.send(1)
        eventually(lambda: any(not link.up for link in recorder.links))  # for a moment only
        eventually(recorder.is_up)
        bench.send(2)
        eventually(lambda: recorder.values[-1:] == [2])
    finally:
        driver.stop()
    assert "a fault of our own" in caplog.text


def test_a_relative_certificate_file_is_found_beside_the_site_file(
    make_broker: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    broker = make_broker(tls=True)
    broker.start()
    for folder, up in ((broker.folder, True), (tmp_path, False)):
        recorder = Recorder()
        settings = Broker.model_validate(
            {"id": "hall", "host": "localhost", "port": broker.port, "tls": {"ca_file": "ca.pem"}}
        )
        wire = MqttWire.model_validate({"broker": "hall", "topic": "a", "payload": {"kind": "number"}})
        driver = MqttDriver(
            settings, [meter(wire)], recorder, StillClock(), site="hall", folder=folder, delays=soon
        )
        driver.start()
        try:
            eventually(lambda recorder=recorder: recorder.links)
            assert recorder.is_up() == up
            assert up or "ca.pem" in recorder.links[0].detail
        finally:
            driver.stop()
