"""What the weekly digest reads of the store besides trends: quality by the hour, gaps, events, alarms."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass

from monitor.readings import Level, Reason, Transition, level_of
from monitor.store.reader import transitions
from monitor.store.rollup import summed
from monitor.store.rows import TIMED_SQL, TRANSITION_COLUMNS, TRUSTED_SQL, reasons_of, transition_from
from monitor.store.sums import HOUR_MS


@dataclass(frozen=True, slots=True)
class HourQuality:
    """So many readings of one hour that are less than good, or good, for the same reasons."""

    hour: int  # counted from the beginning of the span
    level: Level
    reasons: Reason
    n: int


@dataclass(frozen=True, slots=True)
class Told:
    """Something a person did and logged."""

    time_ms: int
    event: str
    target: str
    value: float


def kept_whole(connection: sqlite3.Connection, channel: str, since_ms: int) -> bool:
    """Whether retention has deleted none of a channel's readings since a time."""
    how = summed(connection, channel)
    return how is None or how.raw_from_ms <= since_ms


def quality_by_hour(
    connection: sqlite3.Connection, channel: str, from_ms: int, to_ms: int
) -> list[HourQuality]:
    """How many readings of each hour were of which quality; hours are counted from `from_ms`."""
    rows = connection.execute(
        "select (time_ms - :from) / :hour, flags, count(*) from reading "
        "where channel = (select id from channel where name = :name) and time_ms >= :from and time_ms < :to "
        "group by 1, 2",
        {"name": channel, "from": from_ms, "to": to_ms, "hour": HOUR_MS},
    )
    found = []
    for hour, flags, n in rows:
        reasons = reasons_of(flags)
        found.append(HourQuality(hour, level_of(reasons), reasons, n))
    return found


def gaps(
    connection: sqlite3.Connection, channel: str, from_ms: int, to_ms: int, longest_step_ms: int
) -> list[tuple[int, int]]:
    """Spans within [from, to) without a reading that are longer than a step, both ends of it included."""
    rows = connection.execute(
        "select before_ms, time_ms from ("
        "  select time_ms, lag(time_ms, 1, :from) over (order by time_ms) as before_ms from ("
        "    select time_ms from reading where channel = (select id from channel where name = :name) "
        f"    and time_ms >= :from and time_ms < :to and {TIMED_SQL} union all select :to"
        ")) where time_ms - before_ms > :step",
        {"name": channel, "from": from_ms, "to": to_ms, "step": longest_step_ms},
    )
    return [(before_ms, time_ms) for before_ms, time_ms in rows]


def last_value(
    connection: sqlite3.Connection, channel: str, before_ms: int, since_ms: int = 0
) -> tuple[int, float] | None:
    """Time and value of the last trustworthy reading in [since, before); None when there is none."""
    row = connection.execute(
        "select time_ms, coalesce(value, raw) from reading "
        "where channel = (select id from channel where name = ?) and time_ms >= ? and time_ms < ? "
        f"and {TRUSTED_SQL} order by time_ms desc limit 1",
        (channel, since_ms, before_ms),
    ).fetchone()
    return None if row is None else (row[0], row[1])


def values(connection: sqlite3.Connection, channel: str, from_ms: int, to_ms: int) -> list[tuple[int, float]]:
    """Time and value of the trustworthy readings in [from, to); for channels that speak seldom."""
    rows = connection.execute(
        "select time_ms, coalesce(value, raw) from reading "
        "where channel = (select id from channel where name = ?) and time_ms >= ? and time_ms < ? "
        f"and {TRUSTED_SQL} order by time_ms",
        (channel, from_ms, to_ms),
    )
    return [(time_ms, value) for time_ms, value in rows]


def told(connection: sqlite3.Connection, from_ms: int, to_ms: int) -> list[Told]:
    """What people logged as done in [from, to), in its order."""
    rows = connection.execute(
        "select time_ms, body from event where kind = 'event' and kind != 'tick' "
        "and time_ms >= ? and time_ms < ? order by time_ms, seq",
        (from_ms, to_ms),
    )
    found = []
    for time_ms, body in rows:
        said = json.loads(body)
        found.append(Told(time_ms, said.get("event", ""), said["target"], said.get("value") or 0.0))
    return found


def not_watched(
    connection: sqlite3.Connection, from_ms: int, to_ms: int, longest_step_ms: int
) -> list[tuple[int, int]]:
    """Spans of [from, to) in which no watch was kept, by the minutes that it saw."""
    rows = connection.execute(
        "select before_ms, time_ms from ("
        "  select time_ms, lag(time_ms, 1, :from) over (order by time_ms) as before_ms from ("
        "    select time_ms from event where kind = 'tick' and time_ms >= :from and time_ms < :to "
        "    union all select :to"
        ")) where time_ms - before_ms > :step",
        {"from": from_ms, "to": to_ms, "step": longest_step_ms},
    )
    return [(before_ms, time_ms) for before_ms, time_ms in rows]


def first_watched_ms(connection: sqlite3.Connection) -> int | None:
    """The first minute the store knows of; None for a new one."""
    row = connection.execute("select time_ms from event where kind = 'tick' order by seq limit 1").fetchone()
    return None if row is None else int(row[0])


def was_watched(connection: sqlite3.Connection, from_ms: int, to_ms: int) -> bool:
    """Whether the watch saw any minute of [from, to)."""
    row = connection.execute(
        "select 1 from event where kind = 'tick' and time_ms >= ? and time_ms < ? limit 1", (from_ms, to_ms)
    ).fetchone()
    return row is not None


def alarms_within(connection: sqlite3.Connection, from_ms: int, to_ms: int) -> list[Transition]:
    """The transitions in [from, to), in the order they happened."""
    return [t for _, t in transitions(connection, from_ms) if t.time_ms < to_ms]


def alarms_at(connection: sqlite3.Connection, at_ms: int) -> list[Transition]:
    """The last transition, before a moment, of each condition that was not normal then; oldest first."""
    rows = connection.execute(
        f"select {TRANSITION_COLUMNS} from transition where id in "
        "(select max(id) from transition where time_ms < ? group by condition) "
        "and state != 'normal' order by id",
        (at_ms,),
    )
    return [transition_from(row) for row in rows]


def given_up(connection: sqlite3.Connection, from_ms: int, to_ms: int) -> int:
    """Messages that were given up in [from, to): they reached nobody."""
    (n,) = connection.execute(
        "select count(*) from outbox where outcome = 'given-up' and last_ms >= ? and last_ms < ?",
        (from_ms, to_ms),
    ).fetchone()
    return int(n)


def state_part(connection: sqlite3.Connection, part: str) -> tuple[int, str] | None:
    """Version and JSON of a part of the watch's state, as last written whole; None when there is none."""
    row = connection.execute("select version, body from state where part = ?", (part,)).fetchone()
    return None if row is None else (row["version"], row["body"])
