"""What a channel said in a span of time, as one row: how often, how well, the extremes, the means.

A reading *counts* when its value says something about the water being made: in order or late, and not
impossible, faulty or stamped by a wrong clock. A value beyond the instrument's range counts: leaving it out
would make a bad hour look well. The extremes of all values, standing water too, are kept beside.
"""

from __future__ import annotations

import sqlite3
from enum import IntEnum
from typing import NamedTuple

from monitor.store.rows import COUNTS_SQL, GOOD_SQL, SHOWN_SQL, TIMED_SQL, TRUSTED_SQL

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000

# Between two readings further apart than this the water that flowed is not credited to the later one.
_LONGEST_STEP_MS = 600_000
_CONTACT_ON = 0.5


class Every(IntEnum):
    """The resolutions of rollups, in minutes. Hours and days are those of UTC."""

    MINUTE = 1
    HOUR = 60
    DAY = 1440

    @property
    def ms(self) -> int:
        return self.value * MINUTE_MS


class Sum(NamedTuple):
    """What a channel said in one span. Values are in the quantity's canonical unit."""

    n: int  # readings; those stamped by a wrong clock are of no span
    good: int  # of these, those whose quality is good
    counted: int  # of these, those that `low`, `high` and `mean` are of
    low: float | None
    high: float | None
    mean: float | None
    low_any: float | None  # of all values, those of standing water too
    high_any: float | None
    weight: float  # litres (or minutes, where a contact says when water runs) that `flow_mean` is of
    flow_mean: float | None

    @property
    def share_good(self) -> float:
        """0..1."""
        return self.good / self.n

    def with_flow(self, weight: float, flow_mean: float | None) -> Sum:
        return self._replace(weight=weight, flow_mean=flow_mean)


class Flow(NamedTuple):
    """The channel that says how much water runs past another one, and for how long its word is good."""

    channel: int
    is_contact: bool
    trust_ms: int


class Grid(NamedTuple):
    """Spans of equal width, numbered from a time."""

    origin_ms: int
    width_ms: int


def merged(a: Sum, b: Sum) -> Sum:
    """The sum of two spans, or of two sets of readings of one span."""
    return Sum(
        a.n + b.n,
        a.good + b.good,
        a.counted + b.counted,
        _least(a.low, b.low),
        _most(a.high, b.high),
        _mean(a.counted, a.mean, b.counted, b.mean),
        _least(a.low_any, b.low_any),
        _most(a.high_any, b.high_any),
        a.weight + b.weight,
        _mean(a.weight, a.flow_mean, b.weight, b.flow_mean),
    )


def _least(a: float | None, b: float | None) -> float | None:
    return b if a is None else a if b is None else min(a, b)


def _most(a: float | None, b: float | None) -> float | None:
    return b if a is None else a if b is None else max(a, b)


def _mean(n: float, a: float | None, m: float, b: float | None) -> float | None:
    if a is None or b is None:
        return b if a is None else a
    return a + (b - a) * (m / (n + m))


_OF_READINGS = f"""
    select number, count(*), sum(good), sum(counts),
        min(case when counts then v end), max(case when counts then v end),
        avg(case when counts then v end),
        min(case when shown then v end), max(case when shown then v end), 0.0, null
    from (
        select (time_ms - :origin) / :width as number, coalesce(value, raw) as v,
            {GOOD_SQL} as good, {COUNTS_SQL} as counts, {SHOWN_SQL} as shown
        from reading
        where channel = :channel and time_ms >= :from and time_ms < :to and {TIMED_SQL}
    )
    group by number
"""

# `low_any` and `high_any` are null where they are those of the water being made, as nearly everywhere.
_OF_ROLLUPS = """
    select (start_ms - :origin) / :width as number, sum(n), sum(good), sum(counted), min(low), max(high),
        sum(mean * counted) / sum(counted), min(coalesce(low_any, low)), max(coalesce(high_any, high)),
        total(weight), sum(flow_mean * weight) / sum(weight)
    from rollup
    where channel = :channel and every_min = :every and start_ms >= :from and start_ms < :to
    group by number
"""


def of_readings(
    connection: sqlite3.Connection, channel: int, flow: Flow | None, from_ms: int, to_ms: int, grid: Grid
) -> dict[int, Sum]:
    """The sums of a channel's readings in [from, to), by the number of their span in the grid."""
    rows = connection.execute(_OF_READINGS, _named(channel, from_ms, to_ms, grid))
    sums = {row[0]: Sum(*row[1:]) for row in rows}
    if flow is not None:
        for number, (weight, mean) in _flow_means(connection, channel, flow, from_ms, to_ms, grid).items():
            sums[number] = sums[number].with_flow(weight, mean)
    return sums


def of_rollups(
    connection: sqlite3.Connection, channel: int, every: Every, from_ms: int, to_ms: int, grid: Grid
) -> dict[int, Sum]:
    """The sums of a channel's rollups that begin in [from, to), by the number of their span in the grid."""
    rows = connection.execute(_OF_ROLLUPS, _named(channel, from_ms, to_ms, grid) | {"every": int(every)})
    return {row[0]: Sum(*row[1:]) for row in rows}


def _named(channel: int, from_ms: int, to_ms: int, grid: Grid) -> dict[str, int]:
    return {
        "channel": channel, "from": from_ms, "to": to_ms, "origin": grid.origin_ms, "width": grid.width_ms,
    }  # fmt: skip


def _flow_means(
    connection: sqlite3.Connection, channel: int, flow: Flow, from_ms: int, to_ms: int, grid: Grid
) -> dict[int, tuple[float, float]]:
    """By span: the water that flowed, and the mean of the readings that count, each weighted by the water
    that flowed since the reading before it at the flow last said."""
    found: dict[int, tuple[float, float]] = {}
    flows = _flows(connection, flow, from_ms, to_ms)
    before_ms, place, flow_ms, running = _time_before(connection, channel, from_ms), 0, -flow.trust_ms, 0.0
    rows = connection.execute(
        f"select time_ms, coalesce(value, raw), {COUNTS_SQL} from reading "
        f"where channel = ? and time_ms >= ? and time_ms < ? and {SHOWN_SQL} order by time_ms",
        (channel, from_ms, to_ms),
    )
    for time_ms, value, counts in rows:
        while place < len(flows) and flows[place][0] <= time_ms:
            flow_ms, running = flows[place]
            place += 1
        step_ms = 0 if before_ms is None else min(time_ms - before_ms, _LONGEST_STEP_MS)
        before_ms = time_ms
        if counts and running > 0.0 and step_ms > 0 and time_ms - flow_ms <= flow.trust_ms:
            water = running * step_ms / MINUTE_MS
            number = (time_ms - grid.origin_ms) // grid.width_ms
            weight, mean = found.get(number, (0.0, value))
            found[number] = weight + water, mean + (value - mean) * (water / (weight + water))
    return found


def _flows(connection: sqlite3.Connection, flow: Flow, from_ms: int, to_ms: int) -> list[tuple[int, float]]:
    """The flow's trustworthy values, L/min; a contact that is on is 1."""
    rows = connection.execute(
        f"select time_ms, coalesce(value, raw) from reading "
        f"where channel = ? and time_ms >= ? and time_ms < ? and {TRUSTED_SQL} order by time_ms",
        (flow.channel, from_ms - flow.trust_ms, to_ms),
    ).fetchall()
    if flow.is_contact:
        return [(time_ms, float(value > _CONTACT_ON)) for time_ms, value in rows]
    return [(time_ms, value) for time_ms, value in rows]


def _time_before(connection: sqlite3.Connection, channel: int, at_ms: int) -> int | None:
    row = connection.execute(
        f"select time_ms from reading where channel = ? and time_ms < ? and {SHOWN_SQL} "
        "order by time_ms desc limit 1",
        (channel, at_ms),
    ).fetchone()
    return None if row is None else int(row[0])
