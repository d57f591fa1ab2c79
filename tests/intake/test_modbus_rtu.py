"""The Modbus bus: against an independent server, with every fault a wire has, and with dead neighbours."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice

from monitor.intake.modbus_rtu import ModbusRtuDriver
from monitor.intake.modbus_settings import Wire
from monitor.intake.serial_settings import Port
from monitor.readings import Status
from simulator.clock import ShopClock
from simulator.wires.play import Player
from simulator.wires.rtu import take_request
from simulator.year import simulate
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock, meter, soon
from tests.modbus_server import NullModem, serving
from tests.waiting import eventually, stays


def device(unit: int, value: float) -> SimDevice:
    """Two registers with a float, one with an integer, eight with bits, at one unit."""
    return SimDevice(
        id=unit,
        simdata=(
            [SimData(address=0, values=[True, False, True], datatype=DataType.BITS)],
            [SimData(address=4, values=[False, True], datatype=DataType.BITS)],
            [
                SimData(address=0, values=value, datatype=DataType.FLOAT32),
                SimData(address=2, values=-123, datatype=DataType.INT16),
                SimData(address=10, values=2 * value, datatype=DataType.FLOAT32),
            ],
            [SimData(address=8, values=7, datatype=DataType.UINT16)],
        ),
    )


def wire(unit: int, channel: str, **settings: Any) -> Wire:
    value = [{"channel": channel, "address": 0, "type": "float32"}]
    return Wire.model_validate(
        {"port": "bus", "unit": unit, "every": "100 ms", "timeout": "200 ms", "value": value, **settings}
    )


@pytest.fixture
def modem(tmp_path: Path) -> Iterator[NullModem]:
    made = NullModem(tmp_path)
    yield made
    made.close()


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


@pytest.fixture
def start(modem: NullModem, recorder: Recorder) -> Iterator[Callable[..., ModbusRtuDriver]]:
    """Starts a server with units 3 and 4 and a driver with these wires."""
    with ExitStack() as stack:

        def begin(*wires: Wire) -> ModbusRtuDriver:
            stack.enter_context(serving(modem.far, [device(3, 12.5), device(4, 99.0)]))
            instruments = [meter(w, *(item.channel for item in w.value), id=f"unit-{w.unit}") for w in wires]
            port = Port(id="bus", device=str(modem.near), baud=19200)
            driver = ModbusRtuDriver(port, instruments, recorder, StillClock(), delays=soon)
            stack.callback(driver.stop)
            driver.start()
            return driver

        yield begin


def values(recorder: Recorder, channel: str) -> list[float]:
    return [sample.value for sample in recorder.samples if sample.channel == channel]


def test_an_independent_server_is_read_by_all_four_functions(
    start: Callable[..., ModbusRtuDriver], recorder: Recorder, modem: NullModem
) -> None:
    items = [
        {"channel": "float", "address": 0, "type": "float32"},
        {"channel": "integer", "address": 2, "type": "int16", "scale": 0.1},
        {"channel": "input", "function": "input-registers", "address": 8, "type": "uint16"},
        {"channel": "coil", "function": "coils", "address": 2},
        {"channel": "discrete", "function": "discrete-inputs", "address": 5},
    ]
    start(wire(3, "x", value=items))
    eventually(lambda: len(recorder.samples) >= 10)
    assert {sample.channel: sample.value for sample in recorder.samples} == {
        "float": 12.5, "integer": pytest.approx(-12.3), "input": 7.0, "coil": 1.0, "discrete": 1.0
    }  # fmt: skip
    assert recorder.counts == [] and [link.up for link in recorder.links] == [True]
    bodies = {take_request(frame)[0] for frame in modem.asked}
    assert {body[1] for body in bodies} == {1, 2, 3, 4}
    assert len(bodies) == 4  # the float and the integer beside it came by one request


def test_two_units_share_the_bus(start: Callable[..., ModbusRtuDriver], recorder: Recorder) -> None:
    start(wire(3, "a"), wire(4, "b"))
    eventually(lambda: len(values(recorder, "a")) >= 3 and len(values(recorder, "b")) >= 3)
    assert set(values(recorder, "a")) == {12.5} and set(values(recorder, "b")) == {99.0}


FAULTS: dict[str, Callable[[bytes], list[tuple[float, bytes]]]] = {
    "split": lambda answer: [(0.0, answer[:4]), (0.03, answer[4:5]), (0.03, answer[5:])],
    "noise before and after": lambda answer: [(0.0, b"\x00\xff" + answer + b"\xff\x03")],
    "merged with another unit's": lambda answer: [(0.0, bytes.fromhex("0903020001985b") + answer)],
}


@pytest.mark.parametrize("fault", FAULTS)
def test_an_answer_is_taken_through(
    fault: str, start: Callable[..., ModbusRtuDriver], recorder: Recorder, modem: NullModem
) -> None:
    modem.bend = FAULTS[fault]
    start(wire(3, "a"))
    eventually(lambda: len(recorder.values) >= 4)
    assert set(recorder.values) == {12.5} and recorder.counts == []


def test_a_wrong_crc_is_told_once_and_again_when_it_is_over(
    start: Callable[..., ModbusRtuDriver], recorder: Recorder, modem: NullModem
) -> None:
    modem.bend = lambda answer: [(0.0, answer[:-1] + bytes([answer[-1] ^ 1]))]
    start(wire(3, "a"))
    eventually(lambda: "bad-answer" in recorder.slugs)
    eventually(lambda: len(modem.asked) >= 4)
    assert recorder.slugs == ["bad-answer"] and recorder.values == []
    modem.bend = lambda answer: [(0.0, answer)]
    eventually(lambda: recorder.values)
    assert recorder.slugs == ["bad-answer", "answers-again"]
    assert all(count.subject == "unit-3" for count in recorder.counts)


def test_a_late_answer_is_never_taken_for_that_to_the_next_question(
    start: Callable[..., ModbusRtuDriver], recorder: Recorder, modem: NullModem
) -> None:
    """Two wires of one unit ask for as many bytes, so nothing in the late answer tells them apart."""
    other = {"channel": "b", "address": 10, "type": "float32"}
    turns = iter(range(1000))
    modem.bend = lambda answer: [(0.3 if next(turns) % 3 == 0 else 0.0, answer)]
    start(wire(3, "a"), wire(3, "b", value=[other]))
    eventually(lambda: len(values(recorder, "a")) >= 3 and len(values(recorder, "b")) >= 3, timeout=20)
    assert set(values(recorder, "a")) == {12.5} and set(values(recorder, "b")) == {25.0}
    assert "no-answer" in recorder.slugs


def test_what_comes_between_two_frames_is_no_answer_to_the_second(
    modem: NullModem, recorder: Recorder
) -> None:
    """A unit that answers twice, on a slow bus: the pause between frames is 128 ms at 300 baud."""
    other = {"channel": "b", "address": 10, "type": "float32"}
    modem.bend = lambda answer: [(0.0, answer), (0.03, answer)]
    port = Port(id="bus", device=str(modem.near), baud=300)
    instruments = [meter(wire(3, "a"), "a"), meter(wire(3, "b", value=[other]), "b", id="twin")]
    driver = ModbusRtuDriver(port, instruments, recorder, StillClock(), delays=soon)
    with serving(modem.far, [device(3, 12.5)]):
        driver.start()
        try:
            eventually(lambda: len(values(recorder, "a")) >= 3 and len(values(recorder, "b")) >= 3)
        finally:
            driver.stop()
    assert set(values(recorder, "a")) == {12.5} and set(values(recorder, "b")) == {25.0}


def test_a_refused_address_is_told_in_the_standards_words_and_harms_no_other_value(
    start: Callable[..., ModbusRtuDriver], recorder: Recorder
) -> None:
    items = [
        {"channel": "a", "address": 0, "type": "float32"},
        {"channel": "b", "address": 500, "type": "uint16"},
    ]
    start(wire(3, "a", value=items))
    eventually(lambda: len(values(recorder, "a")) >= 3)
    (count,) = recorder.counts
    assert count.what == "modbus-exception" and "illegal data address (exception 2)" in count.detail


def test_a_dead_unit_is_told_once_and_its_neighbour_keeps_its_rate(
    start: Callable[..., ModbusRtuDriver], recorder: Recorder, modem: NullModem
) -> None:
    modem.bend = lambda answer: [] if answer[0] == 4 else [(0.0, answer)]
    driver = start(wire(4, "dead", timeout="300 ms"), wire(3, "a"))
    for station in driver._stations:
        station._new_delays, station._delays = (lambda: iter([60.0] * 9)), iter([60.0] * 9)
    eventually(lambda: len([f for f in modem.asked if f[0] == 4]) >= 3)
    begin_s, before = time.monotonic(), len(recorder.values)
    eventually(lambda: len(recorder.values) >= before + 20)
    assert time.monotonic() - begin_s < 4.0  # 20 of them at 100 ms, and at most one wait for the dead one
    assert len([f for f in modem.asked if f[0] == 4]) in (3, 4)
    (count,) = recorder.counts
    assert (count.what, count.subject) == ("no-answer", "unit-4")
    assert "nothing within 300 ms" in count.detail


def test_a_pulled_plug_is_noticed_while_nobody_is_asked(tmp_path: Path, recorder: Recorder) -> None:
    modem = NullModem(tmp_path)
    instrument = meter(wire(3, "a", every="10 min"), "a")
    driver = ModbusRtuDriver(
        Port(id="bus", device=str(modem.near)), [instrument], recorder, StillClock(), delays=soon
    )
    driver.start()
    try:
        eventually(lambda: "no-answer" in recorder.slugs)
        modem.close()
        eventually(recorder.is_down)
    finally:
        driver.stop()


def test_a_silent_bus_says_nothing_and_stops_at_once(tmp_path: Path, recorder: Recorder) -> None:
    modem = NullModem(tmp_path)
    driver = ModbusRtuDriver(
        Port(id="bus", device=str(modem.near)),
        [meter(wire(3, "a", timeout="10 s"), "a")],
        recorder,
        StillClock(),
        delays=soon,
    )
    driver.start()
    eventually(lambda: modem.asked)
    begin_s = time.monotonic()
    driver.stop()
    assert time.monotonic() - begin_s < 2.0
    stays(lambda: not any(t.name == "modbus bus" for t in threading.enumerate()), 0.1)
    modem.close()


def test_the_simulators_bus_is_read_with_its_status_words(tmp_path: Path, recorder: Recorder) -> None:
    """Another independent counterpart: float and scaled integer registers, a status word beside each."""
    run = simulate("hall3", [], seed=9, start="2025-03-04", days=1)
    hand = run.start_ms + 12 * 3_600_000
    player = Player(run, ShopClock(((0, 0), (1, 1))), tmp_path, now_ms=lambda: hand)
    player.start()
    status = [{"address": 1000, "fault_codes": [3], "over_codes": [1], "under_codes": [2]}]
    first = wire(3, "permeate", status=status)
    second = wire(4, "di", value=[{"channel": "di", "address": 0, "type": "uint16", "scale": 0.1}])
    port = Port(id="bus", device=str(tmp_path / "bus1"))
    driver = ModbusRtuDriver(
        port, [meter(first, "permeate"), meter(second, "di")], recorder, StillClock(), delays=soon
    )
    driver.start()
    try:
        eventually(lambda: values(recorder, "permeate") and values(recorder, "di"))
    finally:
        driver.stop()
        player.stop()
    for name, channel in (("permeate_ec", "permeate"), ("di_ec", "di")):
        shown = run.latest(name, hand)
        assert shown is not None
        assert set(values(recorder, channel)) == {values(recorder, channel)[0]}
        assert values(recorder, channel)[0] == pytest.approx(shown.value, rel=1e-6)
    assert {sample.status for sample in recorder.samples} == {Status.OK}
