"""`goodwater registers`: says what a scan may do, reads a real server's range, prints tables that load."""

from __future__ import annotations

import io
import os
import re
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cli import main
from monitor.config import load
from monitor.intake import serial_port
from monitor.intake.modbus_frame import Answer, NoAnswer, ReadFunction, Refused, Request
from monitor.intake.modbus_scan import meaning, scan
from tests.config.sites import SITE, written
from tests.intake.modbus_lines import OnABus, OverTcp
from tests.mosquitto import free_port
from tests.waiting import eventually

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(params=["rtu", "tcp"])
def line(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[OnABus | OverTcp]:
    made = OnABus(tmp_path) if request.param == "rtu" else OverTcp(tmp_path)
    yield made
    made.close()


@pytest.fixture
def run(
    line: OnABus | OverTcp,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> Run:
    """Runs the command on the line; what a person types comes from `typed`."""
    monkeypatch.setattr(serial_port, "STABLE_LINKS", tmp_path / "by-id")
    where = str(tmp_path / "bus") if isinstance(line, OnABus) else f"127.0.0.1:{line.relay.port}"

    def go(*arguments: str, typed: str = "", unit: int = 3) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        code = main(["registers", where, "--unit", str(unit), "--baud", "19200", *arguments])
        return code, *capsys.readouterr()

    return go


@pytest.mark.parametrize("typed", ["", "\n", "no\n", "y es\n"])
def test_nothing_is_asked_before_a_person_says_that_the_bus_is_ours(
    run: Run, line: OnABus | OverTcp, typed: str
) -> None:
    code, said, refused = run(typed=typed)
    assert code == 2 and line.bodies == []
    assert "machines trip" in said or "can trip machines" in said
    assert "Type yes to go on" in said and "nothing was asked" in refused


def test_a_range_is_shown_in_all_types_in_both_orders(run: Run, line: OnABus | OverTcp) -> None:
    code, said, _ = run("--count", "12", typed="yes\n")
    assert code == 0
    first, second = said.split("byte_order low-first")
    (row,) = [r.replace("|", " ").split() for r in first.splitlines() if r.startswith("  0 ")]
    assert row == ["0", "4148", "16712", "16712", "1095237632", "1095237632", "12.5", "16712", "16712", "·"]
    (row,) = [r.replace("|", " ").split() for r in second.splitlines() if r.startswith("  2 ")]
    low = struct.unpack("<h", struct.pack(">h", -123))[0]
    assert row[:4] == ["2", "ff85", str(low), str(low + 65536)]
    assert "refused, illegal data address (exception 2): 3 to 9" in said
    assert {body[1] for body in line.bodies} == {3}


def test_coils_are_shown_as_bits(run: Run) -> None:
    code, said, _ = run("--function", "coils", "--count", "3", "--yes", "--paste", "2")
    assert code == 0
    assert [r.split() for r in said.splitlines() if r.startswith("  ")][1:4] == [
        ["0", "1"],
        ["1", "0"],
        ["2", "1"],
    ]
    assert 'value = [\n  { channel = "unit-3.2", address = 2 },  # now 1\n]' in said


def test_the_tables_to_paste_are_part_of_a_right_site_file(
    run: Run, line: OnABus | OverTcp, tmp_path: Path
) -> None:
    code, said, _ = run(
        "--yes", "--count", "3", "--paste", "0:float32", "--paste", "2:int16:high-first:low-first"
    )
    assert code == 0 and "# now 12.5" in said
    begin = said.index("[[serial_port]]" if isinstance(line, OnABus) else "[[modbus_server]]")
    site = load(written(tmp_path, SITE + "\n" + said[begin:]))
    wire = site.plant.instrument_of("unit-3.0").wire
    assert (wire.kind, wire.unit) == ("modbus-rtu" if isinstance(line, OnABus) else "modbus-tcp", 3)
    assert [(v.address, v.type, v.byte_order) for v in wire.value] == [
        (0, "float32", "high-first"), (2, "int16", "low-first")
    ]  # fmt: skip
    if isinstance(line, OnABus):
        assert [port.baud for port in site.serial_ports if port.id == "bus"] == [19200]
    else:
        assert [server.port for server in site.modbus_servers] == [line.relay.port]


def test_the_server_of_the_how_to_is_read_as_the_how_to_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = (Path(__file__).parents[2] / "docs" / "instruments.md").read_text(encoding="utf-8")
    (server,) = re.findall(r"```python\n(# server\.py.*?)```", page, re.DOTALL)
    (command,) = re.findall(r"^goodwater (registers 127\.0\.0\.1:5020 .*)$", page, re.MULTILINE)
    port = str(free_port())
    file = tmp_path / "server.py"
    file.write_text(server.replace("5020", port))
    running = subprocess.Popen([sys.executable, str(file)])
    try:
        eventually(lambda: main([*command.replace("5020", port).split(), "--yes"]) == 0)
    finally:
        running.kill()
        running.wait()
    assert "# now 12.5" in capsys.readouterr().out


def test_a_silent_unit_is_told_with_what_to_check(run: Run, line: OnABus | OverTcp) -> None:
    line.bend = lambda answer: []
    code, said, _ = run("--yes", "--timeout", "0.05")
    assert code == 1 and "nothing within 50 ms" in said and "Check the unit" in said
    assert len(line.bodies) == 2  # one frame may be lost to noise


def test_a_port_is_pasted_by_the_name_that_stays(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bus = OnABus(tmp_path)
    try:
        link = tmp_path / "by-id" / "usb-example-0001"
        link.parent.mkdir()
        number = os.path.realpath(tmp_path / "bus")
        link.symlink_to(number)
        monkeypatch.setattr(serial_port, "STABLE_LINKS", link.parent)
        asked = ["--unit", "3", "--count", "2", "--yes", "--paste", "0:float32"]
        assert main(["registers", number, *asked]) == 0
        assert f'device = "{link}"  # {number} now' in capsys.readouterr().out
        assert main(["registers", "/dev/ttyNone", *asked]) == 2
        assert f"ports here: {link}" in capsys.readouterr().err
        with serial.Serial(number, exclusive=True):
            assert main(["registers", number, *asked]) == 2
        assert "another program has it open: stop the watch meanwhile" in capsys.readouterr().err
    finally:
        bus.close()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["/dev/ttyX"], "--unit is needed"),
        (["/dev/ttyX", "--unit", "248"], "1 to 247"),
        (["host", "--unit", "256"], "0 to 255"),
        (["host", "--count", "1001"], "1 to 1000"),
        (["host", "--address", "65530", "--count", "7"], "0 to 65529"),
        (["host", "--timeout", "11"], "0.02 to 10 seconds"),
        (["host:port"], "is no host"),
        (["host:70000"], "port: input should be less than or equal to 65535"),
        (["/dev/ttyX", "--unit", "3", "--baud", "1"], "baud: input should be greater than or equal to 50"),
        (["host", "--paste", "float32"], "ADDRESS:TYPE like 0:float32"),
        (["host", "--paste", "0:bit"], "ADDRESS:TYPE like 0:float32"),
        (["host", "--paste", "0:int32:big"], "each high-first or low-first"),
        (["host", "--function", "coils", "--paste", "0:int16"], "the address alone"),
        (["127.0.0.1:1", "--yes"], "127.0.0.1, port 1: [Errno 111]"),
        (["[::1]:1", "--yes"], "::1, port 1: [Errno"),
        (["nowhere.invalid", "--yes"], "nowhere.invalid, port 502: "),
    ],
)
def test_what_cannot_be_asked_is_refused_in_words(
    capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert main(["registers", *arguments]) == 2
    assert words in capsys.readouterr().err


class Paper:
    """A unit that has some addresses, on paper."""

    def __init__(self, held: dict[int, int]) -> None:
        self.held = held
        self.asked: list[Request] = []

    def ask(self, request: Request, timeout_s: float) -> Answer | Refused | NoAnswer:
        self.asked.append(request)
        wanted = range(request.address, request.address + request.count)
        if all(at in self.held for at in wanted):
            return Answer(tuple(self.held[at] for at in wanted))
        return Refused(2)


@settings(max_examples=40)
@given(there=st.sets(st.integers(0, 300)), begin=st.integers(0, 200), count=st.integers(1, 200))
def test_every_address_is_read_or_refused(there: set[int], begin: int, count: int) -> None:
    unit = Paper({at: at % 7 for at in there})
    found = scan(unit, 3, ReadFunction.HOLDING_REGISTERS, begin, count, 1.0)
    wanted = set(range(begin, begin + count))
    assert set(found.held) == wanted & there and set(found.refused) == wanted - there
    assert all(found.held[at] == at % 7 for at in found.held) and found.broke_off == ""
    assert len(unit.asked) <= 2 * count


@pytest.mark.parametrize(("answer", "tries"), [(NoAnswer(b""), 2), (Refused(11), 1), (Refused(1), 1)])
def test_a_scan_breaks_off_where_going_on_is_of_no_use(answer: Refused | NoAnswer, tries: int) -> None:
    class Mute(Paper):
        def ask(self, request: Request, timeout_s: float) -> Answer | Refused | NoAnswer:
            self.asked.append(request)
            return answer

    unit = Mute({})
    assert scan(unit, 3, ReadFunction.INPUT_REGISTERS, 0, 500, 1.0).broke_off
    assert len(unit.asked) == tries


@pytest.mark.parametrize("absurd", [1e-38, 3e21, float("nan"), float("inf")])
def test_a_float_that_no_water_has_is_not_shown(absurd: float) -> None:
    held = dict(enumerate(struct.unpack(">2H", struct.pack(">f", absurd))))
    assert meaning(held, 0, "float32", "high-first", "high-first") is None
