"""What is older than its time goes, a few thousand rows at a time, so that intake never waits for it.

Pages that become free are used again by what comes next: a store whose times are reached stops growing.
Readings go by whole hours, and only once these are summed up; from then on their hour is sealed (`rollup`).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from monitor.store.reader import first_seq_since
from monitor.store.rollup import Summed, summed
from monitor.store.rows import TIMED_SQL
from monitor.store.settings import RetentionSettings
from monitor.store.sums import DAY_MS, HOUR_MS, Every

_ROWS_AT_ONCE = 2_000
# What was stored so lately stays, whatever its own time: a logger's history, and all that rule state is
# rebuilt from.
_RECENT_MS = 14 * DAY_MS


def thinned_out(connection: sqlite3.Connection, settings: RetentionSettings, now_ms: int) -> Iterator[None]:
    """Delete what is too old, a little before each yield; whoever steps on decides what is one transaction.

    What is due to be summed up stays, with all of its channel that is later, until the next time.
    """
    recent = first_seq_since(connection, now_ms - _RECENT_MS)
    for (name,) in connection.execute("select name from channel order by id").fetchall():
        how = summed(connection, name)
        if how is None:
            continue
        cutoff_ms = _day(now_ms - (settings.fast_raw if how.is_fast else settings.raw))
        yield from _readings(connection, how, cutoff_ms, recent)
        yield from _from_the_future(connection, how.channel, now_ms, cutoff_ms, recent)
        yield from _rollups(connection, how.channel, Every.MINUTE, _day(now_ms - settings.minute))
        yield from _rollups(connection, how.channel, Every.HOUR, _day(now_ms - settings.hour))
        if settings.day is not None:
            yield from _rollups(connection, how.channel, Every.DAY, _day(now_ms - settings.day))
    yield from _ticks(connection, now_ms - settings.raw)
    for statement in _RECORDS:
        yield from _repeated(connection, statement, {"cutoff": now_ms - settings.records})
    yield from _alarms(connection, now_ms - settings.alarms)


def _day(time_ms: int) -> int:
    return max(0, time_ms // DAY_MS * DAY_MS)


def _readings(connection: sqlite3.Connection, how: Summed, cutoff_ms: int, recent: int) -> Iterator[None]:
    """Readings before a time, some hours at once."""
    from_ms = 0
    while from_ms < cutoff_ms:
        wanted_ms = _some_hours(connection, how.channel, from_ms, cutoff_ms)
        to_ms = _free_to_go(connection, how.channel, from_ms, wanted_ms, recent)
        connection.execute(
            "delete from reading where channel = ? and time_ms >= ? and time_ms < ? "
            f"and ({TIMED_SQL} or {_OLD})",
            (how.channel, from_ms, to_ms, cutoff_ms, recent),
        )
        connection.execute(
            "update summed set raw_from_ms = ? where channel = ? and raw_from_ms < ?",
            (to_ms, how.channel, to_ms),
        )
        yield
        if to_ms < wanted_ms:
            return
        from_ms = to_ms


# One stamped by a clock that was wrong is as old as its arrival, or where that cannot be, as its place in the
# stream.
_OLD = "(time_ms + lag_ms < ? and seq <= ?)"


def _some_hours(connection: sqlite3.Connection, channel: int, from_ms: int, cutoff_ms: int) -> int:
    """The end of the hours that hold about as many readings as may go at once; of one hour at least."""
    some = "select time_ms from reading where channel = ? and time_ms >= ? and time_ms < ? order by time_ms"
    of_it = (channel, from_ms, cutoff_ms)
    beyond = connection.execute(f"{some} limit 1 offset ?", (*of_it, _ROWS_AT_ONCE)).fetchone()
    if beyond is None:
        return cutoff_ms
    (first_ms,) = connection.execute(f"{some} limit 1", of_it).fetchone()
    return max(int(first_ms) // HOUR_MS + 1, int(beyond[0]) // HOUR_MS) * HOUR_MS


def _free_to_go(connection: sqlite3.Connection, channel: int, from_ms: int, to_ms: int, recent: int) -> int:
    """Up to the first hour that is not summed up yet, or was stored only lately."""
    (due_ms,) = connection.execute(
        "select min(from_ms) from rollup_due where channel = ? and from_ms < ?", (channel, to_ms)
    ).fetchone()
    to_ms = to_ms if due_ms is None else int(due_ms)
    (late_ms,) = connection.execute(
        f"select min(time_ms) from reading where channel = ? and time_ms >= ? and time_ms < ? and seq > ? "
        f"and {TIMED_SQL}",
        (channel, from_ms, to_ms, recent),
    ).fetchone()
    return to_ms if late_ms is None else int(late_ms) // HOUR_MS * HOUR_MS


def _from_the_future(
    connection: sqlite3.Connection, channel: int, now_ms: int, cutoff_ms: int, recent: int
) -> Iterator[None]:
    """Readings stamped by a clock that ran far ahead would otherwise stay until their time came."""
    yield from _repeated(
        connection,
        "delete from reading where channel = :channel and time_ms in (select time_ms from reading "
        f"where channel = :channel and time_ms > :ahead and not {TIMED_SQL} "
        "and time_ms + lag_ms < :cutoff and seq <= :recent limit :most)",
        {"channel": channel, "ahead": now_ms + DAY_MS, "cutoff": cutoff_ms, "recent": recent},
    )


_SINCE = {Every.MINUTE: "minute_from_ms", Every.HOUR: "hour_from_ms"}


def _rollups(connection: sqlite3.Connection, channel: int, every: Every, cutoff_ms: int) -> Iterator[None]:
    """Sums of a resolution before a time, unless hours or days are still to be made of them."""
    (due_ms,) = connection.execute(
        "select min(from_ms) from rollup_due where channel = ? and from_ms < ?", (channel, cutoff_ms)
    ).fetchone()
    cutoff_ms = cutoff_ms if due_ms is None else _day(int(due_ms))
    if every in _SINCE:
        since = _SINCE[every]
        connection.execute(
            f"update summed set {since} = ? where channel = ? and {since} < ?",
            (cutoff_ms, channel, cutoff_ms),
        )
    yield from _repeated(
        connection,
        "delete from rollup where channel = :channel and every_min = :every and start_ms in (select start_ms "
        "from rollup where channel = :channel and every_min = :every and start_ms < :cutoff limit :most)",
        {"channel": channel, "every": int(every), "cutoff": cutoff_ms},
    )


def _ticks(connection: sqlite3.Connection, cutoff_ms: int) -> Iterator[None]:
    (first,) = connection.execute(
        "select min(seq) from event where kind = 'tick' and time_ms >= ?", (cutoff_ms,)
    ).fetchone()
    yield from _repeated(
        connection,
        "delete from event where seq in "
        "(select seq from event where seq < :first and kind = 'tick' order by seq limit :most)",
        {"first": first or 0},
    )


# What says who was told and who did what, and what was refused; what is still to be done stays.
_RECORDS = (
    "delete from outbox where id in "
    "(select id from outbox where owed_ms < :cutoff and outcome != 'due' limit :most)",
    "delete from report where id in (select id from report r where time_ms < :cutoff "
    "and not exists (select 1 from outbox where transition_key = r.key and outcome = 'due') limit :most)",
    "delete from inbox where id in "
    "(select id from inbox where time_ms < :cutoff and taken_seq is not null limit :most)",
    "delete from count where (what, subject) in "
    "(select what, subject from count where last_ms < :cutoff limit :most)",
    "update transition set by = '' where id in "
    "(select id from transition where time_ms < :cutoff and by != '' limit :most)",
    "update transition set silence = json_set(silence, '$.by', '') where id in (select id from transition "
    "where time_ms < :cutoff and silence != '' and json_extract(silence, '$.by') != '' limit :most)",
    "update event set body = json_set(body, '$.by', '') where seq in (select seq from event "
    "where time_ms < :cutoff and kind != 'tick' and json_extract(body, '$.by') != '' limit :most)",
)


def _alarms(connection: sqlite3.Connection, cutoff_ms: int) -> Iterator[None]:
    """What was done to the plant, and transitions; the last one of each condition stays, as do those that
    somebody is still owed."""
    (first,) = connection.execute(
        "select min(id) from transition where time_ms >= ?", (cutoff_ms,)
    ).fetchone()
    yield from _repeated(
        connection,
        "delete from event where seq in "
        "(select seq from event where time_ms < :cutoff and kind != 'tick' limit :most)",
        {"cutoff": cutoff_ms},
    )
    yield from _repeated(
        connection,
        "delete from transition where id in (select id from transition t where id < :first "
        "and id not in (select max(id) from transition group by condition) "
        "and not exists (select 1 from outbox where transition_key = t.key and outcome = 'due') limit :most)",
        {"first": first or 0},
    )


def _repeated(connection: sqlite3.Connection, statement: str, values: dict[str, int]) -> Iterator[None]:
    """A statement that takes `:most` rows at a time, until there are no more."""
    while True:
        done = connection.execute(statement, values | {"most": _ROWS_AT_ONCE}).rowcount
        yield
        if done < _ROWS_AT_ONCE:
            return
