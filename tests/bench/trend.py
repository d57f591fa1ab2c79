"""A year's trend at 1,000 points beside the bare query of the same rollup rows, in one run.

    python -m tests.bench.trend [--channels N] [--runs N]

The anchor is plain sqlite3 reading the very rows of table `rollup` that the trend rests on, grouped into as
many buckets by SQL. Beside it: reading the year's readings, which a rollup saves.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from monitor.readings import Bound, Reading, Reason, Standing
from monitor.store.files import open_reader
from monitor.store.rollup import mark_due
from monitor.store.rows import reading_row
from monitor.store.trend import trend
from tests.store.kept import DAY, HOUR, MIDNIGHT, SITE, Kept, kept

POINTS = 1_000
_YEAR = 525_600
_MINUTE = 60_000
_NAMES = ("ro.flow", "ro.ec", "ro.t", "di.ec")

_BARE = """
    select (start_ms - ?) / ? as bucket, min(low), max(high), sum(mean * counted) / sum(counted), sum(n)
    from rollup where channel = ? and every_min = 60 and start_ms >= ? and start_ms < ? group by bucket
"""
_RAW = """
    select (time_ms - ?) / ? as bucket, min(coalesce(value, raw)), max(coalesce(value, raw)), count(*)
    from reading where channel = ? and time_ms >= ? and time_ms < ? group by bucket
"""


def fill(one: Kept, channels: int, every_min: int) -> None:
    """A year of readings for some channels, and its rollups."""
    connection = one.writer.connection
    insert = f"insert into reading values ({', '.join('?' * 7)})"
    for number, name in enumerate(_NAMES[:channels], 1):
        connection.execute("insert into channel values (?, ?)", (number, name))
        connection.execute("begin")
        connection.executemany(insert, (_row(number, name, n) for n in range(0, _YEAR, every_min)))
        mark_due(connection, ((number, MIDNIGHT + h * HOUR) for h in range(_YEAR // 60)))
        connection.execute("commit")
    one.sum_up(MIDNIGHT + 367 * DAY)


def _row(number: int, name: str, n: int) -> tuple[Any, ...]:
    at, value = MIDNIGHT + n * _MINUTE, 5.0 + n * 7_919 % 100_003 / 99_991
    one = Reading(name, at, at, value, value, Reason.NONE, Bound.EXACT, Standing.JUDGED)
    return reading_row(number, n, one)


def measure(channels: int = 4, runs: int = 9, every_min: int = 1) -> dict[str, Any]:
    """Milliseconds of both, medians of runs that take turns, and their ratio."""
    with tempfile.TemporaryDirectory() as folder, kept(Path(folder), SITE, quick=True) as one:
        fill(one, channels, every_min)
        connection = open_reader(one.data)
        from_ms, to_ms = MIDNIGHT, MIDNIGHT + _YEAR * _MINUTE
        width_ms = 9 * HOUR  # the year in whole hours: what the trend takes too
        values = (from_ms, width_ms, 1, from_ms, to_ms)
        ours, bare = _taking_turns(
            runs,
            lambda: trend(connection, _NAMES[0], from_ms, to_ms, POINTS),
            lambda: connection.execute(_BARE, values).fetchall(),
        )
        found = trend(connection, _NAMES[0], from_ms, to_ms, POINTS)
        (raw,) = _taking_turns(1, lambda: connection.execute(_RAW, values).fetchall())
        by_readings = [tuple(row)[1:] for row in connection.execute(_RAW, values)]
        connection.close()
    return {
        "name": "a year's trend at 1,000 points",
        "anchor": bare,
        "ours": ours,
        "unit": "ms",
        "ratio": round(ours / bare, 2),
        "points": len(found.points),
        "same_extremes_as_the_readings": [(p.sum.low, p.sum.high, p.sum.n) for p in found.points]
        == by_readings,
        "from_the_readings_instead_ms": raw,
    }


def _taking_turns(runs: int, *cases: Callable[[], object]) -> list[float]:
    """The median milliseconds of each case."""
    took: list[list[float]] = [[] for _ in cases]
    for _ in range(runs):
        for times, case in zip(took, cases, strict=True):
            began = time.perf_counter()
            case()
            times.append((time.perf_counter() - began) * 1e3)
    return [round(statistics.median(times), 3) for times in took]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--channels", type=int, default=4, choices=range(1, 5))
    parser.add_argument("--runs", type=int, default=9)
    asked = parser.parse_args()
    print(json.dumps(measure(asked.channels, asked.runs), indent=2))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
