"""The wires, read by programs that are not ours: pymodbus, pyserial, mosquitto_sub, the csv module."""

from __future__ import annotations

import csv
import itertools
import json
import shutil
import struct
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import serial
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from simulator.clock import ShopClock
from simulator.faults import make_faults
from simulator.instruments import FAILED, OVER, Sample
from simulator.shop import ShopError
from simulator.wires.logger import write_logger_csv
from simulator.wires.play import Player
from simulator.wires.rtu import crc16, framed, respond, take_request, words_of
from simulator.wires.speakers import line_of, message_of
from simulator.year import Run, simulate
from tests.mosquitto import Mosquitto
from tests.waiting import eventually

NOON = 12 * 3_600_000


@pytest.fixture(scope="module")
def run() -> Run:
    faults = [{"kind": "dropout", "target": "softened_ec", "start_day": 0.1}]
    return simulate("hall3", faults, seed=9, start="2025-03-04", days=2)


@pytest.fixture
def hand(run: Run) -> list[float]:
    """The machine's clock, moved by the test: machine ms equal the run's own."""
    return [run.start_ms + NOON]


@pytest.fixture
def player(run: Run, hand: list[float], tmp_path: Path) -> Iterator[Player]:
    made = Player(run, ShopClock(((0, 0), (1, 1))), tmp_path, now_ms=lambda: hand[0])
    made.start()
    yield made
    made.stop()


@pytest.fixture
def client(player: Player, tmp_path: Path) -> Iterator[ModbusSerialClient]:
    made = ModbusSerialClient(port=str(tmp_path / "bus1"), baudrate=19200, timeout=0.5, retries=0)
    assert made.connect()
    yield made
    made.close()


def test_an_independent_client_reads_float_registers(
    run: Run, hand: list[float], client: ModbusSerialClient
) -> None:
    answer = client.read_holding_registers(0, count=2, device_id=3)
    value = client.convert_from_registers(answer.registers, client.DATATYPE.FLOAT32)
    shown = run.latest("permeate_ec", int(hand[0]))
    assert shown is not None and value == pytest.approx(shown.value, rel=1e-6)


def test_several_units_answer_on_one_bus(run: Run, hand: list[float], client: ModbusSerialClient) -> None:
    for unit, register, name, scale in (
        (8, 0, "tank_level", 1.0),
        (4, 0, "di_ec", 10.0),
        (7, 0, "ro_run", 1.0),
    ):
        shown = run.latest(name, int(hand[0]))
        answer = client.read_input_registers(register, count=1, device_id=unit)
        assert shown is not None and answer.registers == [round(shown.value * scale)]


@pytest.mark.serial  # the client gives up after its own timeout, which a crowded machine outlasts
def test_values_move_with_the_shops_clock(run: Run, hand: list[float], client: ModbusSerialClient) -> None:
    seen = set()
    for hour in range(1, 20):
        hand[0] = run.start_ms + hour * 3_600_000
        seen.add(tuple(client.read_holding_registers(0, count=1, device_id=8).registers))
    assert len(seen) > 3


def test_a_status_word_stands_beside_each_value(client: ModbusSerialClient) -> None:
    assert client.read_holding_registers(1000, count=1, device_id=3).registers == [0]


def test_a_register_that_is_not_there_is_refused_with_illegal_address(client: ModbusSerialClient) -> None:
    answer = client.read_holding_registers(90, count=1, device_id=3)
    assert answer.isError() and answer.exception_code == 2


def test_writing_is_refused_with_illegal_function(client: ModbusSerialClient) -> None:
    answer = client.write_register(0, 1, device_id=3)
    assert answer.isError() and answer.exception_code == 1


@pytest.mark.parametrize("unit", [99, 2])
def test_nobody_answers_for_a_unit_that_is_absent_or_lost(client: ModbusSerialClient, unit: int) -> None:
    with pytest.raises(ModbusIOException):
        client.read_holding_registers(0, count=1, device_id=unit)


def test_crc_is_that_of_the_modbus_serial_line_guide() -> None:
    """Frame 02 07 has CRC 0x1241, sent 41 12 (Modbus over Serial Line V1.02, appendix B)."""
    assert crc16(bytes([0x02, 0x07])) == 0x1241
    assert framed(bytes([0x02, 0x07])) == bytes([0x02, 0x07, 0x41, 0x12])


def test_requests_are_found_in_halves_doubles_and_noise() -> None:
    request = framed(struct.pack(">BBHH", 3, 3, 0, 2))
    assert take_request(request[:5]) == (b"", 0)
    body, used = take_request(request + request)
    assert (body, used) == (request[:-2], len(request))
    body, used = take_request(b"\x00\xff\x13" + request)
    assert body == request[:-2] and used == 3 + len(request)
    assert take_request(b"") == (b"", 0)


def test_a_count_out_of_bounds_is_refused_with_illegal_value() -> None:
    body = struct.pack(">BBHH", 3, 3, 0, 126)
    assert respond(body, {3}, lambda *_: [0]) == framed(bytes([3, 0x83, 3]))


def test_integer_registers_hold_their_end_value_and_mark_a_failed_sensor() -> None:
    assert words_of(7000.0, "uint16", 10.0) == [0xFFFF] and words_of(float("nan"), "uint16", 1.0) == [0xFFFF]
    assert words_of(-1.5, "int16", 10.0) == [0xFFF1] and words_of(float("nan"), "int16", 1.0) == [0x8000]
    with pytest.raises(ValueError, match="unknown register encoding 'bcd'"):
        words_of(1.0, "bcd", 1.0)


def test_two_instruments_cannot_share_a_register(run: Run, tmp_path: Path) -> None:
    first, second = run.shop.instruments[:2]
    twin = replace(second, wire=first.wire)
    doubled = replace(run, shop=replace(run.shop, instruments=(first, twin)))
    with pytest.raises(ShopError, match="instrument tap_temp: unit 1 register 0 is taken by tap_ec"):
        Player(doubled, ShopClock(((0, 0), (1, 1))), tmp_path)


def test_meters_write_lines_that_pyserial_reads(
    run: Run, player: Player, hand: list[float], tmp_path: Path
) -> None:
    with serial.Serial(str(tmp_path / "line1"), 9600, timeout=5) as port:
        hand[0] += 5 * 60_000
        lines = [port.readline() for _ in range(4)]
    said = run.samples_between(int(hand[0]) - 300_000, int(hand[0]))
    shown = {f"EC {s.value:.1f} uS/cm\r\n".encode() for s in said if s.instrument == "tank_ec"}
    assert any(line.startswith(b"TDS ") and line.endswith(b" ppm\r\n") for line in lines)
    assert {line for line in lines if line.startswith(b"EC")} <= shown and shown


def test_mosquitto_sub_hears_the_sumps(
    run: Run, hand: list[float], broker: Mosquitto, tmp_path: Path
) -> None:
    program = shutil.which("mosquitto_sub")
    assert program, "this test needs mosquitto_sub: install mosquitto-clients"
    listen = [
        program,
        "-h",
        broker.host,
        "-p",
        str(broker.port),
        "-q",
        "1",
        "-t",
        "hall3/#",
        "-c",
        "-i",
        "listener",
    ]
    subprocess.run([*listen, "-E"], check=True, timeout=30)  # subscribed; what comes now waits at the broker
    player = Player(
        run, ShopClock(((0, 0), (1, 1))), tmp_path, (broker.host, broker.port), now_ms=lambda: hand[0]
    )
    player.start()
    hand[0] += 5 * 60_000
    done = subprocess.run(
        [*listen, "-v", "-C", "100", "-W", "30"], capture_output=True, text=True, check=True
    )
    player.stop()
    said = [line.split(" ", 1) for line in done.stdout.splitlines()]
    heard = dict(said)
    sent = {
        s.own_ms: s.value
        for s in run.samples_between(run.start_ms + NOON, int(hand[0]))
        if s.instrument == "M01_level"
    }
    level = json.loads(heard["hall3/M01/level"])
    assert sent[level["t"]] == level["v"]
    assert float(heard["hall3/M07/level"]) % 10.0 == 0.0


def test_a_broker_that_is_not_there_is_named(run: Run, tmp_path: Path) -> None:
    player = Player(run, ShopClock(((0, 0), (1, 1))), tmp_path, ("127.0.0.1", 1))
    try:
        with pytest.raises(ShopError, match=r"no broker at 127\.0\.0\.1:1"):
            player.start()
    finally:
        for bus in player.buses.values():
            bus.stop()


def test_thinning_keeps_every_change_of_a_contact(run: Run, tmp_path: Path) -> None:
    player = Player(run, ShopClock(((0, 0), (1, 1))), tmp_path, ("127.0.0.1", 1), thin_s=3600.0)
    told: list[Sample] = []
    for voice in player.speakers:
        voice.say = told.append  # type: ignore[method-assign]  # heard here instead of on a wire
    samples = list(run.samples_between(run.start_ms, run.end_ms))
    player.say(samples)
    for name in ("M01_pump", "M04_pump"):
        values = [s.value for s in samples if s.instrument == name]
        kept = [s.value for s in told if s.instrument == name]
        changes = sum(a != b for a, b in itertools.pairwise(values))
        assert sum(a != b for a, b in itertools.pairwise(kept)) == changes > 4
    levels = [s for s in told if s.instrument == "M01_level"]
    assert len(levels) <= 48
    for part in (*player.buses.values(), *player.speakers):
        part.port.close() if hasattr(part, "port") else None


def test_over_range_and_failure_are_told_in_the_wires_own_words(run: Run) -> None:
    instruments = {item.name: item for item in run.shop.instruments}
    over = Sample(5, "tank_ec", 5, 50.0, OVER)
    assert line_of(instruments["tank_ec"], over) == b"EC >50.0 uS/cm\r\n"
    level = Sample(5, "M01_level", 7, float("nan"), FAILED)
    assert json.loads(message_of(instruments["M01_level"], level)) == {
        "t": 7,
        "v": None,
        "status": "sensor failed",
    }


def test_logger_files_hold_what_was_reported(run: Run, tmp_path: Path) -> None:
    paths = write_logger_csv(run, tmp_path)
    assert [path.name for path in paths] == ["hall-300s.csv", "sumps-60s.csv", "train-60s.csv"]
    with (tmp_path / "train-60s.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == run.days * 1440 and rows[0]["time"] == "2025-03-04T00:01:00Z"
    said = run.reported["tank_level"]
    written = [float(row["tank_level"]) for row in rows if row["tank_level"]]
    assert written == said.value.tolist()
    assert all(row["softened_ec"] == "" for row in rows[200:])


def test_the_command_writes_a_month_and_names_a_mistake(tmp_path: Path) -> None:
    script = tmp_path / "faults.toml"
    script.write_text('[[fault]]\nkind = "sump_leak"\ntarget = "M05"\nstart_day = 1\n', encoding="utf-8")
    command = [sys.executable, "-m", "simulator", "hall3", "--faults", str(script), "--days", "2", "--csv"]
    done = subprocess.run([*command, str(tmp_path / "out")], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    truth = (tmp_path / "out" / "truth.csv").read_text(encoding="utf-8")
    assert "sump_leak:M05,sump_leak,M05" in truth
    script.write_text('[[fault]]\nkind = "flood"\n', encoding="utf-8")
    done = subprocess.run([*command, str(tmp_path / "out")], capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "unknown kind 'flood'" in done.stderr and "Traceback" not in done.stderr


def test_the_command_plays_over_wires_until_the_run_ends(tmp_path: Path) -> None:
    """A day in a few seconds: the clock is a string any process can be given."""
    import time

    start_ms = 1_741_046_400_000
    clock = ShopClock.at_rate(round(time.time() * 1000) + 4_000, start_ms, 86_400_000 / 2_000)
    command = [sys.executable, "-m", "simulator", "hall3", "--start", "2025-03-04", "--days", "1",
               "--wires", str(tmp_path), "--clock", str(clock)]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as playing:
        eventually(lambda: (tmp_path / "line1").exists(), 30, what="the port is there")
        assert playing.wait(30) == 0
    assert not (tmp_path / "line1").exists()


def test_faults_given_ready_made_are_taken_as_they_are(run: Run) -> None:
    made = make_faults([{"kind": "foam", "target": "M04_level", "start_day": 1}], run.shop, run.start_ms)
    assert make_faults(made, run.shop, run.start_ms) == made
