"""What check says of wires: buses of others, names that change, currents that hide a broken wire."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.check.wires import of_wires
from monitor.config import load
from tests.config.sites import SITE, written

WIRES = """
[[serial_port]]
id = "bus"
device = "/dev/ttyUSB1"

[[modbus_server]]
id = "hall"
host = "192.0.2.17"

[[instrument]]
id = "on-a-bus"
expected_interval = "10 s"
wire = { kind = "modbus-rtu", port = "bus", unit = 3, every = "1 min", value = [{ channel = "a", address = 0, type = "int16" }] }
[[instrument.channel]]
id = "a"
quantity = "level"
unit = "mm"
range = [0, 500]
resolution = 1
current_loop = { counts = [0, 4095] }

[[instrument]]
id = "networked"
expected_interval = "1 min"
wire = { kind = "modbus-tcp", server = "hall", every = "1 min", value = [{ channel = "b", address = 0, type = "int16" }] }
[[instrument.channel]]
id = "b"
quantity = "level"
unit = "mm"
range = [0, 500]
resolution = 1
current_loop = { counts = [819, 4095] }
"""  # noqa: E501 - one wire, one line


def told(folder: Path, *changes: tuple[str, str]) -> list[str]:
    text = SITE.replace("/dev/ttyUSB0", "/dev/serial/by-id/usb-example-0001") + WIRES
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    path = written(folder, text)
    lines = path.read_text(encoding="utf-8").splitlines()
    return [f"{lines[caution.line - 1].strip()} <- {caution.text}" for caution in of_wires(load(path))]


def test_each_is_told_with_its_line_and_what_would_be_right(tmp_path: Path) -> None:
    name, bus, server, seldom, zero = told(tmp_path)
    assert name.startswith(
        'device = "/dev/ttyUSB1" <- Serial port "bus": /dev/ttyUSB1 may be another adapter'
    )
    assert "Give its link in /dev/serial/by-id" in name
    assert bus.startswith("[[serial_port]]") and "can trip machines" in bus
    assert server.startswith("[[modbus_server]]") and "the bus behind it" in server
    assert "on-a-bus: read every 1 min, expected every 10 s; it will be taken for silent." in seldom
    assert zero.startswith("current_loop = { counts = [0, 4095] } <- a: 0 counts are 4 mA")
    assert "a broken wire looks like 0 mm" in zero


@pytest.mark.parametrize(
    ("old", "new", "gone"),
    [
        ("/dev/ttyUSB1", "/dev/serial/by-id/usb-example-0002", "may be another adapter"),
        ('interval = "10 s"', 'interval = "1 min"', "taken for silent"),
        ("[0, 4095]", "[819, 4095]", "0 counts are 4 mA"),
    ],
)
def test_what_is_right_is_not_told(tmp_path: Path, old: str, new: str, gone: str) -> None:
    found = told(tmp_path, (old, new))
    assert len(found) == 4 and not any(gone in caution for caution in found)


def test_a_falling_current_hides_the_fault_behind_its_other_end(tmp_path: Path) -> None:
    assert "looks like 500 mm" in told(tmp_path, ("4095] }\n\n", "4095], falling = true }\n\n"))[-1]
