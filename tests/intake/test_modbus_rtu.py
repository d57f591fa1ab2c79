"""What is the bus's own: noise on the line, pauses between frames, the plug pulled while all is quiet."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.intake.modbus_rtu import ModbusRtuDriver
from monitor.intake.modbus_settings import Wire
from monitor.intake.serial_settings import Port
from monitor.readings import Status
from simulator.clock import ShopClock
from simulator.wires.play import Player
from simulator.year import simulate
from tests.intake.modbus_lines import OnABus, device
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock, meter, soon
from tests.modbus_server import NullModem, serving
from tests.waiting import eventually

wire = OnABus.wire


@pytest.fixture
def modem(tmp_path: Path) -> Iterator[NullModem]:
    made = NullModem(tmp_path)
    yield made
    made.close()


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


@pytest.fixture
def run(recorder: Recorder, modem: NullModem) -> Iterator[Callable[..., None]]:
    """Runs a driver on a port; an instrument for each wire."""
    made: list[ModbusRtuDriver] = []

    def begin(device: Path, *wires: Wire, baud: int = 19200) -> None:
        instruments = [meter(w, *(item.channel for item in w.value), id=f"m{n}") for n, w in enumerate(wires)]
        port = Port(id="bus", device=str(device), baud=baud)
        made.append(ModbusRtuDriver(port, instruments, recorder, StillClock(), delays=soon))
        made[-1].start()

    yield begin
    for driver in made:
        driver.stop()


def values(recorder: Recorder, channel: str) -> list[float]:
    return [sample.value for sample in recorder.samples if sample.channel == channel]


def test_noise_on_the_line_is_no_part_of_an_answer(
    run: Callable[..., None], recorder: Recorder, modem: NullModem
) -> None:
    modem.bend = lambda answer: [(0.0, b"\x00\xff" + answer + b"\xff\x03")]
    with serving(modem.far, [device(3, 12.5)]):
        run(modem.near, wire(3, "a"))
        eventually(lambda: len(recorder.values) >= 3)
    assert set(recorder.values) == {12.5} and recorder.counts == []


def test_what_comes_between_two_frames_is_no_answer_to_the_second(
    run: Callable[..., None], recorder: Recorder, modem: NullModem
) -> None:
    """A unit that answers twice, on a slow bus: the pause between frames is 128 ms at 300 baud."""
    other = {"channel": "b", "address": 10, "type": "float32"}
    modem.bend = lambda answer: [(0.0, answer), (0.03, answer)]
    with serving(modem.far, [device(3, 12.5)]):
        run(modem.near, wire(3, "a"), wire(3, value=[other]), baud=300)
        eventually(lambda: len(values(recorder, "a")) >= 2 and len(values(recorder, "b")) >= 2)
    assert set(values(recorder, "a")) == {12.5} and set(values(recorder, "b")) == {25.0}


def test_a_pulled_plug_is_noticed_while_nobody_is_asked(
    run: Callable[..., None], recorder: Recorder, modem: NullModem
) -> None:
    run(modem.near, wire(3, "a", every="10 min"))
    eventually(lambda: "no-answer" in recorder.slugs)
    modem.unplug()
    eventually(recorder.is_down)


def test_the_simulators_bus_is_read_with_its_status_words(
    run: Callable[..., None], recorder: Recorder, tmp_path: Path
) -> None:
    """Another independent counterpart: float and scaled integer registers, a status word beside each."""
    day = simulate("hall3", [], seed=9, start="2025-03-04", days=1)
    hand = day.start_ms + 12 * 3_600_000
    player = Player(day, ShopClock(((0, 0), (1, 1))), tmp_path, now_ms=lambda: hand)
    player.start()
    status = [{"address": 1000, "fault_codes": [3], "over_codes": [1], "under_codes": [2]}]
    second = wire(4, value=[{"channel": "di", "address": 0, "type": "uint16", "scale": 0.1}])
    try:
        run(tmp_path / "bus1", wire(3, "permeate", status=status), second)
        eventually(lambda: values(recorder, "permeate") and values(recorder, "di"))
    finally:
        player.stop()
    for name, channel in (("permeate_ec", "permeate"), ("di_ec", "di")):
        shown = day.latest(name, hand)
        assert shown is not None
        assert set(values(recorder, channel)) == {values(recorder, channel)[0]}
        assert values(recorder, channel)[0] == pytest.approx(shown.value, rel=1e-6)
    assert {sample.status for sample in recorder.samples} == {Status.OK}
