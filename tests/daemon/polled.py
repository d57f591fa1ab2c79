"""Instruments that are polled while the daemon is killed: what of their series is missing, and for how long.

What a poll said and no batch had taken to the disk is gone with the process: no broker keeps it. So between
two stored readings of a series there may be the restart, one poll, and what a batch was gathering when the
kill came.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from pymodbus.simulator import DataType, SimData, SimDevice

from tests.daemon.watched import Watched
from tests.modbus_server import NullModem, serving, serving_tcp
from tests.mosquitto import free_port

POLL_MS = 500
BATCH_MS = 1_000  # a batch is closed after so long at the latest
CHANNELS = ("bus.flow", "hall.flow")

_INSTRUMENT = """
[[instrument]]
id = "{name}-meter"
point = "di-out"
expected_interval = "10 s"
[instrument.wire]
kind = "modbus-{kind}"
{where}
unit = 1
every = "{poll} ms"
value = [{{ channel = "{name}.flow", address = 0, type = "float32" }}]
[[instrument.channel]]
id = "{name}.flow"
quantity = "flow"
unit = "L/min"
range = [0.0, 20.0]
resolution = 0.01
"""


@contextlib.contextmanager
def two_polled(folder: Path) -> Iterator[str]:
    """A bus and a TCP server that answer; gives their tables for the site file."""
    unit = SimDevice(id=1, simdata=[SimData(address=0, values=5.25, datatype=DataType.FLOAT32)])
    port, modem = free_port(), NullModem(folder)
    try:
        with serving(modem.far, [unit]), serving_tcp(port, [unit]):
            yield (
                f'[[serial_port]]\nid = "bus"\ndevice = "{modem.near}"\nbaud = 19200\n'
                f'[[modbus_server]]\nid = "hall"\nhost = "127.0.0.1"\nport = {port}\n'
                + _INSTRUMENT.format(name="bus", kind="rtu", where='port = "bus"', poll=POLL_MS)
                + _INSTRUMENT.format(name="hall", kind="tcp", where='server = "hall"', poll=POLL_MS)
            )
    finally:
        modem.close()


@dataclass(frozen=True)
class PolledAccount:
    """What was found of the polled series."""

    polls_stored: int
    longest_gap_ms: int  # between two stored readings of one series
    longest_restart_ms: int  # from a kill until a daemon watches again
    longest_unpolled_ms: int  # of a gap, what no restart explains: one poll, and what a batch was gathering


def polled_account(watch: Watched, channels: Sequence[str], kills_ms: Sequence[int]) -> PolledAccount:
    """Hold the stored series of these channels against the kills."""
    ready = watching_since_ms(watch)
    down = [(kill, next(at for at in ready if at > kill)) for kill in kills_ms]
    stored, longest, unpolled = 0, 0, 0
    for channel in channels:
        times = [reading.arrival_ms for reading in watch.readings(channel)]
        assert times and times[0] < kills_ms[0] and times[-1] > down[-1][1], (
            f"{channel} was not polled all along"
        )
        stored += len(times)
        for before, after in pairwise(times):
            longest = max(longest, after - before)
            unpolled = max(unpolled, after - before - _overlap(down, before, after))
    return PolledAccount(stored, longest, max(end - begin for begin, end in down), unpolled)


def _overlap(spans: Sequence[tuple[int, int]], begin: int, end: int) -> int:
    """How much of [begin, end] lies in any of the spans, which may overlap; by their begin."""
    covered, at = 0, begin
    for first, last in spans:
        first, last = max(first, at), min(last, end)
        if last > first:
            covered, at = covered + last - first, last
    return covered


def watching_since_ms(watch: Watched) -> list[int]:
    """When daemons began to watch, by their log."""
    found = []
    for line in watch.log.splitlines():
        if '"watching %s' in line:
            moment = datetime.fromisoformat(json.loads(line)["time"].replace("Z", "+00:00"))
            found.append(round(moment.timestamp() * 1000))
    return found
