"""Logger files and a Modbus bus through the running daemon: stored, judged, mailed, and not twice."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice

from simulator.mailbox import Mailbox
from tests.daemon.watched import Watched
from tests.modbus_server import NullModem, serving
from tests.waiting import eventually

pytestmark = pytest.mark.serial

Make = Callable[..., Watched]

LOGGER = """
[[logger]]
id = "train"
files = ["train*.csv"]
time = ["time"]
every = "100 ms"
"""


def rows(now_ms: int, *values: float) -> str:
    """A row a second, the last one at a time."""
    times = [now_ms / 1000 - len(values) + 1 + n for n in range(len(values))]
    stamps = [datetime.fromtimestamp(int(t), UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for t in times]
    return "".join(f"{stamp},{value}\n" for stamp, value in zip(stamps, values, strict=True))


def test_a_loggers_rows_are_judged_and_after_kills_each_is_stored_once(
    watched: Make, mailbox: Mailbox, now_ms: int, tmp_path: Path
) -> None:
    wire = 'wire = { kind = "logger-file", logger = "train", values = { "di.ec" = "EC" } }'
    file = tmp_path / "train.csv"
    begin_ms = now_ms - 600_000
    file.write_text("time,EC\n" + rows(begin_ms, *range(300)).replace(",299\n", ",5.5\n"))
    watch = watched(wire=wire, more=LOGGER)
    watch.start()
    watch.ready()
    eventually(lambda: len(watch.readings()) == 300)
    (mail, *_) = mailbox.wait_for(1)
    assert mail.parsed["Subject"].startswith("High: DI outlet: conductivity 21.0")

    for turn in range(3):
        watch.kill_daemon()
        with file.open("a") as logger:
            logger.write(rows(begin_ms + 10_000 * (turn + 1), *range(10)))
        eventually(lambda turn=turn: len(watch.readings()) == 310 + 10 * turn, 30)
    assert [reading.raw for reading in watch.readings()][-10:] == list(range(10))
    assert watch.stop() == 0
    before = watch.counts()

    watch.start()
    with file.open("a") as logger:
        logger.write(rows(begin_ms + 40_000, 1.0))
    eventually(lambda: len(watch.readings()) == 331, 20)
    assert watch.stop() == 0
    assert watch.counts() == before  # a clean stop kept the place: nothing was read again


def test_a_unit_on_a_modbus_bus_is_judged_and_its_silence_is_counted(
    watched: Make, mailbox: Mailbox, tmp_path: Path
) -> None:
    wire = """
[instrument.wire]
kind = "modbus-rtu"
port = "bus"
unit = 3
every = "200 ms"
value = [{ channel = "di.ec", address = 0, type = "float32" }]
"""
    unit = SimDevice(id=3, simdata=[SimData(address=0, values=31.5, datatype=DataType.FLOAT32)])
    modem = NullModem(tmp_path)
    port = f'[[serial_port]]\nid = "bus"\ndevice = "{modem.near}"\nbaud = 19200\n'
    try:
        with serving(modem.far, [unit]):
            watch = watched(wire=wire, more=port)
            watch.start()
            watch.ready()
            (mail,) = mailbox.wait_for(1)
            assert mail.parsed["Subject"] == "High: DI outlet: conductivity 31.5 µS/cm, above 20.0 µS/cm"
            eventually(lambda: len(watch.readings()) > 5)
            modem.bend = lambda answer: []
            eventually(lambda: ("no-answer", "di-meter") in watch.counts())
            assert watch.stop() == 0
    finally:
        modem.close()
    assert watch.counts() == {("no-answer", "di-meter"): 1}
    assert {frame[1] for frame in modem.asked} == {3}
