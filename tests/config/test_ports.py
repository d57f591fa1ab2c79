"""What wires share: a port is for lines or a bus, a logger names its columns or not."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from monitor.config import ConfigMistakes, load
from monitor.daemon import drivers
from tests.config.sites import SITE, written
from tests.intake.recorder import Recorder
from tests.intake.shop import StillClock

BUS = """
[[serial_port]]
id = "bus"
device = "/dev/ttyUSB1"

[[instrument]]
id = "di-node"
expected_interval = "1 min"
[instrument.wire]
kind = "modbus-rtu"
port = "bus"
unit = 3
every = "10 s"
value = [{ channel = "di.ec", address = 0, type = "float32" }]

[[instrument.channel]]
id = "di.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0, 200]
resolution = 0.1
"""


def mistakes(folder: Path, bus: str) -> list[str]:
    with pytest.raises(ConfigMistakes) as caught:
        load(written(folder, SITE + bus))
    return [f"{m.place}: {m.found}: {m.allowed}" for m in caught.value.mistakes]


def test_a_port_for_lines_and_a_bus_stand_side_by_side(tmp_path: Path) -> None:
    site = load(written(tmp_path, SITE + BUS))
    assert [port.id for port in site.serial_ports] == ["cabinet", "bus"]


def test_a_port_for_lines_cannot_be_a_bus_as_well(tmp_path: Path) -> None:
    (mistake,) = mistakes(tmp_path, BUS.replace('port = "bus"', 'port = "cabinet"'))
    assert mistake.startswith('instrument "di-node" > wire > kind: "modbus-rtu" on port "cabinet"')
    assert '"serial-line"' in mistake and "a port of their own" in mistake


def test_a_bus_of_seven_bits_is_refused(tmp_path: Path) -> None:
    (mistake,) = mistakes(tmp_path, BUS.replace('ttyUSB1"', 'ttyUSB1"\nbytesize = 7'))
    assert mistake == 'serial_port "bus" > bytesize: 7, on a Modbus bus: 8, as Modbus RTU needs'


def test_a_value_for_a_channel_of_another_instrument_is_refused(tmp_path: Path) -> None:
    found = mistakes(tmp_path, BUS.replace('channel = "di.ec"', 'channel = "ro.ec"'))
    assert any('"ro.ec", which is no channel of this instrument' in mistake for mistake in found)


def test_two_channels_cannot_read_one_register(tmp_path: Path) -> None:
    twin = BUS.replace("di-node", "twin").replace("di.ec", "twin.ec").split("[[instrument]]")[1]
    (mistake,) = mistakes(tmp_path, BUS + "[[instrument]]" + twin)
    assert 'holding-registers 0 of unit 3 on port "bus" for channel "twin.ec"' in mistake


LINES = """
[[serial_port]]
id = "bench"
device = "/dev/ttyUSB1"

[[instrument]]
id = "bench-meter"
expected_interval = "1 min"
[instrument.wire]
kind = "serial-line"
port = "bench"
pattern = '(?P<v>[0-9.]+)(?P<checksum>.)'
values = { "bench.ec" = "v" }
checksum = "xor"
checksum_form = "bytes"
ask = "R?"
ask_every = "1 min"

[[instrument.channel]]
id = "bench.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0, 200]
resolution = 0.1
"""


def test_a_question_and_a_checksum_of_bytes_have_to_fit_the_encoding_of_the_port(tmp_path: Path) -> None:
    latin = LINES.replace('ttyUSB1"', 'ttyUSB1"\nencoding = "latin-1"')
    assert load(written(tmp_path, SITE + latin)).serial_ports[-1].encoding == "latin-1"
    (mistake,) = mistakes(tmp_path, LINES)
    assert mistake.startswith(
        'instrument "bench-meter" > wire > checksum_form: "bytes", and the port\'s encoding is ascii'
    )
    (mistake,) = mistakes(tmp_path, latin.replace("R?", "Ω?"))
    assert mistake.startswith('instrument "bench-meter" > wire > ask: "Ω?": text that the encoding')


TCP = """
[[modbus_server]]
id = "hall"
host = "192.0.2.17"

[[instrument]]
id = "sump-node"
expected_interval = "1 min"
[instrument.wire]
kind = "modbus-tcp"
server = "hall"
every = "10 s"
value = [{ channel = "m1.ec", address = 0, type = "float32" }]

[[instrument.channel]]
id = "m1.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0, 200]
resolution = 0.1
current_loop = { counts = [6400, 32000] }
"""


def test_modbus_servers_are_read_and_each_has_its_driver(tmp_path: Path) -> None:
    site = load(written(tmp_path, SITE + BUS + TCP))
    assert [(server.id, server.port) for server in site.modbus_servers] == [("hall", 502)]
    made = drivers(site, Recorder(), StillClock(), set())
    assert {"bus bus", "modbus server hall"} <= {driver.name for driver in made}
    assert site.plant.instrument_of("m1.ec").wire.unit == 255


def test_a_server_that_is_not_there_is_refused(tmp_path: Path) -> None:
    (mistake,) = mistakes(tmp_path, TCP.replace('server = "hall"', 'server = "hal"'))
    assert '"hal", which is no modbus server of this site' in mistake


def test_two_channels_cannot_read_one_register_at_a_server(tmp_path: Path) -> None:
    twin = TCP.replace("sump-node", "twin").replace("m1.ec", "m2.ec").split("[[instrument]]")[1]
    (mistake,) = mistakes(tmp_path, TCP + "[[instrument]]" + twin)
    assert 'holding-registers 0 of unit 255 at Modbus server "hall" for channel "m2.ec"' in mistake


LOG = """
[[logger]]
id = "hall"
files = ["*.csv"]
names = false
time = [1]

[[instrument]]
id = "logged"
expected_interval = "1 min"
wire = { kind = "logger-file", logger = "hall", values = { "log.ec" = 2 } }

[[instrument.channel]]
id = "log.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0, 200]
resolution = 0.1
"""


def test_files_that_do_not_name_their_columns_are_read_by_number(tmp_path: Path) -> None:
    assert [logger.id for logger in load(written(tmp_path, SITE + LOG)).loggers] == ["hall"]
    found = mistakes(tmp_path, LOG.replace('"log.ec" = 2', '"log.ec" = "EC"').replace("[1]", '["time"]'))
    assert len(found) == 2
    assert found[0].startswith('logger "hall" > time number 1: "time": a number from 1')
    assert found[1].startswith('instrument "logged" > wire > values > log.ec: "EC": a number from 1')


def test_an_instrument_in_a_logger_that_is_not_there_is_refused(tmp_path: Path) -> None:
    (mistake,) = mistakes(tmp_path, LOG.replace('logger = "hall"', 'logger = "hal"'))
    assert '"hal", which is no logger of this site' in mistake


def test_two_channels_cannot_read_one_column(tmp_path: Path) -> None:
    twin = (
        "[[instrument]]"
        + LOG.replace("logged", "twin").replace("log.ec", "twin.ec").split("[[instrument]]")[1]
    )
    (mistake,) = mistakes(tmp_path, LOG + twin)
    assert 'column "2" of logger "hall" for channel "twin.ec"' in mistake


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("time = [1]", "time = []", "time"),
        ("time = [1]", 'time = [1]\ntime_format = "%d.%m"', "date, hours and minutes"),
        ("time = [1]", 'time = [1]\ntimezone = "Vienna"', "IANA"),
        ("= 2 }", "= 0 }", "its number from 1"),
        ("= 2 }", "= 2.5 }", "its number from 1"),
        ('files = ["*.csv"]', 'files = "*.csv"', "an array in square brackets"),
    ],
)
def test_wrong_settings_of_a_logger_are_told_in_words(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert LOG.count(old) == 1
    found = mistakes(tmp_path, LOG.replace(old, new))
    assert len(found) == 1 and words in found[0], found


KEYS = [line.partition(" = ")[0] for line in (BUS + TCP + LOG).splitlines() if " = " in line]


@pytest.mark.parametrize("key", sorted({key for key in KEYS if key.isidentifier()}))
@pytest.mark.parametrize(
    "odd", ["[]", "{}", "[[1]]", "-1", "true", '"\\u0000"', "[{ a = 1 }]", "1979-05-27", "1e400"]
)
def test_whatever_stands_in_a_key_of_a_wire_is_taken_or_refused_in_words(
    tmp_path: Path, key: str, odd: str
) -> None:
    """Or taken, where it fits; never a traceback."""
    lines = (BUS + TCP + LOG).splitlines()
    changed = [f"{key} = {odd}" if line.startswith(f"{key} = ") else line for line in lines]
    with contextlib.suppress(ConfigMistakes):
        load(written(tmp_path, SITE + "\n".join(changed)))
