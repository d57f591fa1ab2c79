"""Rows stored a second by our writer, beside bare inserts of (channel, time, value) of the same batch size.

Both in WAL with `synchronous=FULL`, on the same disk, the batches cut alike, twenty channels in turn. Ours
stores seven columns instead of three, knows what came late or twice, and marks hours to be summed up.
"""

from __future__ import annotations

import sqlite3
import tempfile
import time
from contextlib import closing
from functools import partial
from pathlib import Path

from monitor.readings import Bound, Reading, Reason, Standing
from monitor.store.writer import Batch, Writer
from tests.bench.rows import Row, in_turns, row

_CHANNELS = 20
_BEGIN_MS = 1_780_293_600_000
SIZES = {10: 4_000, 100: 20_000, 1_000: 60_000}  # rows in a batch, rows in all


def measure(rounds: int = 5, sizes: dict[int, int] = SIZES) -> list[Row]:
    """A row for each size of batch."""
    found = []
    for size, n in sizes.items():
        anchor, ours = partial(_bare, n, size), partial(_ours, n, size)
        found.append(
            row(
                f"rows_{size}",
                in_turns(rounds, anchor, ours),
                what=f"rows stored, {size} in a batch",
                anchor="sqlite3, executemany of three columns",
                unit="rows/s",
                wanted=0.6,
                how=f"{n} rows a round into a new file, synchronous=FULL",
            )
        )
    return found


def _value(n: int) -> float:
    return 5 + n * 7_919 % 1_000 / 997


def _bare(n: int, size: int) -> float:
    rows = [(k % _CHANNELS, _BEGIN_MS + k // _CHANNELS * 1000, _value(k)) for k in range(n)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bare.db"
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("pragma journal_mode = wal")
            connection.execute("pragma synchronous = full")
            connection.execute(
                "create table r (channel int, ts int, value real, primary key (channel, ts)) without rowid"
            )
            began = time.perf_counter()
            for k in range(0, n, size):
                connection.execute("begin")
                connection.executemany(
                    "insert into r values (?, ?, ?) on conflict do nothing", rows[k : k + size]
                )
                connection.execute("commit")
            return n / (time.perf_counter() - began)


def _ours(n: int, size: int) -> float:
    readings = [(k + 1, _reading(k)) for k in range(n)]
    with tempfile.TemporaryDirectory() as folder, closing(Writer(Path(folder), _BEGIN_MS, str)) as writer:
        began = time.perf_counter()
        for k in range(0, n, size):
            writer.commit(Batch(_BEGIN_MS, readings=readings[k : k + size]))
        return n / (time.perf_counter() - began)


def _reading(k: int) -> Reading:
    at_ms, value = _BEGIN_MS + k // _CHANNELS * 1000, _value(k)
    name = f"c{k % _CHANNELS}"
    return Reading(name, at_ms, at_ms + 150, value, value, Reason.NONE, Bound.EXACT, Standing.JUDGED)
