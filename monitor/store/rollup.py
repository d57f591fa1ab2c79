"""Rollups: the sums of a channel's hours and days, and of the minutes of those that speak often.

A commit notes which hours of which channels it touched (table `rollup_due`); `Rollups.step` sums them up
later, a few at a time, and notes their days. What is due is stored with the readings themselves, so a kill
at any moment leaves it due; summing up an hour twice gives the same. Late readings, readings marked bad
afterwards and recomputed values all come this way.

An hour whose readings retention has deleted is *sealed*: what still comes for it is added to its sums, and
its readings are deleted in the same transaction.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from monitor.plant.model import Plant
from monitor.store.rows import TIMED_SQL
from monitor.store.sums import DAY_MS, HOUR_MS, Every, Flow, Grid, Sum, merged, of_readings, of_rollups

# A channel that speaks more often than this has rollups of minutes.
FAST_MS = 30_000
# An hour is summed up once it has been over for so long: what is a little late still comes with it.
_GRACE_MS = 120_000
# Water is said to run for three intervals of its meter, but at least so long (as the gate sees it).
_TRUST_AT_LEAST_MS = 120_000
# Hours in one go: a few thousand readings at most where they come once a minute.
_HOURS_AT_ONCE, _FAST_HOURS_AT_ONCE = 24, 1


class Summed(NamedTuple):
    """How a channel is summed up, as the store knows it, and from when on it has not been thinned out."""

    channel: int
    is_fast: bool
    flow: Flow | None
    raw_from_ms: int  # all readings are there from here on
    minute_from_ms: int
    hour_from_ms: int
    summed_yet: bool = True

    def since_ms(self, every: Every) -> int:
        """From when on the rollups of a resolution have not been deleted."""
        return {Every.MINUTE: self.minute_from_ms, Every.HOUR: self.hour_from_ms, Every.DAY: 0}[every]


def mark_due(connection: sqlite3.Connection, times: Iterable[tuple[int, int]]) -> None:
    """Note, in the transaction that stores them, that readings of (channel, time) came or changed."""
    connection.executemany(
        f"insert into rollup_due values (?, {int(Every.HOUR)}, ?, ?) on conflict do nothing",
        [(c, h * HOUR_MS, (h + 1) * HOUR_MS) for c, h in {(c, t // HOUR_MS) for c, t in times}],
    )


def recompute_rollups(
    connection: sqlite3.Connection, channels: Sequence[str], from_ms: int, to_ms: int
) -> None:
    """Have the rollups of channels (and of those weighted by their flow) recomputed for [from, to).

    Call it in the transaction that changed the readings. The work is done by the watch in small steps;
    until then `trend` reads these hours from the readings, so every answer is right at once.
    """
    for name in channels:
        row = connection.execute("select id from channel where name = ?", (name,)).fetchone()
        if row is not None:
            _mark_span(connection, row[0], Every.HOUR, from_ms // HOUR_MS * HOUR_MS, _up(to_ms, HOUR_MS))


def _mark_span(connection: sqlite3.Connection, channel: int, every: Every, from_ms: int, to_ms: int) -> None:
    if from_ms < to_ms:
        connection.execute(
            "insert into rollup_due values (?, ?, ?, ?) on conflict do update "
            "set to_ms = excluded.to_ms where excluded.to_ms > to_ms",
            (channel, int(every), from_ms, to_ms),
        )


def _up(time_ms: int, unit_ms: int) -> int:
    return -(-time_ms // unit_ms) * unit_ms


def summed(connection: sqlite3.Connection, channel: str) -> Summed | None:
    """How a channel is summed up; None for one that has never been."""
    row = connection.execute(
        "select s.channel, fast, contact, trust_ms, raw_from_ms, minute_from_ms, hour_from_ms, f.id "
        "from channel c join summed s on s.channel = c.id left join channel f on f.name = s.flow "
        "where c.name = ?",
        (channel,),
    ).fetchone()
    if row is None:
        return None
    number, fast, contact, trust_ms, raw_from_ms, minute_from_ms, hour_from_ms, flow = row
    return Summed(
        number,
        bool(fast),
        None if flow is None else Flow(flow, bool(contact), trust_ms),
        raw_from_ms,
        minute_from_ms,
        hour_from_ms,
    )


class _Definition(NamedTuple):
    """How the site file says a channel is to be summed up: columns of table `summed`."""

    fast: bool
    flow: str | None
    contact: bool
    trust_ms: int


_UNKNOWN = _Definition(False, None, False, 0)


def _definition(plant: Plant, channel: str) -> _Definition:
    fast = plant.interval_of(channel) < FAST_MS
    gate = plant.channels[channel].gate
    if gate is None or gate.flow is None:
        return _UNKNOWN._replace(fast=fast)
    trust_ms = max(_TRUST_AT_LEAST_MS, 3 * plant.interval_of(gate.flow))
    return _Definition(fast, gate.flow, plant.channels[gate.flow].quantity == "contact", trust_ms)


class Span(NamedTuple):
    """Hours or days of a channel that are due and may be summed up now."""

    channel: int
    every: Every
    from_ms: int
    to_ms: int


# What is ahead of the clock was stamped by one that ran ahead: it is as over as it will be. Days wait for
# their hours.
_OVER = "(from_ms + :unit <= :over or from_ms >= :ahead)"
_HOURS = f"select channel, from_ms, to_ms from rollup_due where every_min = 60 and {_OVER}"
_DAYS = f"""
    select channel, from_ms, min(to_ms, coalesce(hour_ms, to_ms)) from (
        select channel, from_ms, to_ms, (
            select min(h.from_ms) from rollup_due h
            where h.channel = d.channel and h.every_min = 60 and h.to_ms > d.from_ms
        ) as hour_ms
        from rollup_due d where every_min = 1440 and {_OVER}
    ) where hour_ms is null or hour_ms >= from_ms + :unit limit :limit
"""
_AT_ONCE = 100


def _ready(
    connection: sqlite3.Connection, now_ms: int, channel: int | None = None, from_ms: int = 0, to_ms: int = 0
) -> list[Span]:
    """Some of what is due and over: hours, or where there is none, days; of one channel and span if asked."""
    over_ms = now_ms - _GRACE_MS
    named = {"over": over_ms, "ahead": _up(now_ms, DAY_MS) + DAY_MS, "limit": _AT_ONCE}
    hours = named | {"unit": HOUR_MS}
    if channel is not None:
        of_it = f"{_HOURS} and channel = :channel and from_ms < :to and to_ms > :from"
        where = {"channel": channel, "from": from_ms, "to": to_ms}
        return _spans(connection.execute(of_it, hours | where), Every.HOUR, over_ms)
    spans = _spans(connection.execute(f"{_HOURS} limit :limit", hours), Every.HOUR, over_ms)
    return spans or _spans(connection.execute(_DAYS, named | {"unit": DAY_MS}), Every.DAY, over_ms)


def _spans(rows: Iterable[tuple[int, int, int]], every: Every, over_ms: int) -> list[Span]:
    """Rows of `rollup_due` as far as they are over, in whole units, neighbours as one."""
    unit_ms = every.ms
    over_ms = over_ms // unit_ms * unit_ms
    spans: list[Span] = []
    for channel, from_ms, to_ms in rows:
        if from_ms < over_ms:
            to_ms = min(to_ms, over_ms)
        if spans and spans[-1].channel == channel and from_ms <= spans[-1].to_ms:
            spans[-1] = spans[-1]._replace(to_ms=max(to_ms, spans[-1].to_ms))
        else:
            spans.append(Span(channel, every, from_ms, to_ms))
    return spans


class Rollups:
    """Sums up what is due, in the writer's thread."""

    def __init__(self, plant: Plant) -> None:
        self._definitions = {name: _definition(plant, name) for name in plant.channels}

    def begin(self, connection: sqlite3.Connection) -> None:
        """Take note of the site file: a channel summed up in another way than it now asks for is due from
        its first reading on, as are all of a store that had no rollups yet."""
        connection.execute("begin immediate")
        try:
            for channel, name in connection.execute("select id, name from channel").fetchall():
                self._define(connection, channel, name)
            connection.execute("commit")
        except BaseException:
            _roll_back(connection)
            raise

    def _define(self, connection: sqlite3.Connection, channel: int, name: str) -> None:
        now = self._definitions.get(name, _UNKNOWN)
        row = connection.execute("select * from summed where channel = ?", (channel,)).fetchone()
        if row is not None:
            then = _Definition(bool(row["fast"]), row["flow"], bool(row["contact"]), row["trust_ms"])
            if then == now or name not in self._definitions:
                return
        connection.execute(
            "insert into summed (channel, fast, flow, contact, trust_ms) values (?, ?, ?, ?, ?) "
            "on conflict do update set fast = excluded.fast, flow = excluded.flow, "
            "contact = excluded.contact, trust_ms = excluded.trust_ms, "
            "minute_from_ms = max(minute_from_ms, raw_from_ms)",
            (channel, *now),
        )
        raw_from_ms = 0 if row is None else row["raw_from_ms"]
        first_ms, last_ms = connection.execute(
            "select min(time_ms), max(time_ms) from reading where channel = ? and time_ms >= ?",
            (channel, raw_from_ms),
        ).fetchone()
        if first_ms is not None:
            _mark_span(
                connection, channel, Every.HOUR, first_ms // HOUR_MS * HOUR_MS, _up(last_ms + 1, HOUR_MS)
            )

    def step(self, connection: sqlite3.Connection, now_ms: int, seconds: float) -> bool:
        """Sum up what is due and over, for about `seconds`, in one transaction; False when nothing was."""
        end = time.monotonic() + seconds
        spans = _ready(connection, now_ms)
        if not spans:
            return False
        connection.execute("begin immediate")
        try:
            for span in spans:
                self._go_through(connection, span, now_ms, end)
                if time.monotonic() >= end:
                    break
            connection.execute("commit")
        except BaseException:
            _roll_back(connection)
            raise
        return True

    def _go_through(
        self, connection: sqlite3.Connection, span: Span, now_ms: int, end: float, *, flow_first: bool = True
    ) -> None:
        """Sum up a span piece by piece, until it is done or time is up."""
        while span.from_ms < span.to_ms:
            done_ms = self._sum_up(connection, span, now_ms, end, flow_first)
            span = span._replace(from_ms=done_ms)
            if time.monotonic() >= end:
                return

    def _sum_up(
        self, connection: sqlite3.Connection, span: Span, now_ms: int, end: float, flow_first: bool
    ) -> int:
        """Sum up the first piece of a span; up to where that was."""
        channel, every, from_ms, to_ms = span
        if every is Every.DAY:
            _sum_up_days(connection, channel, from_ms, to_ms)
            _done(connection, span)
            return to_ms
        (name,) = connection.execute("select name from channel where id = ?", (channel,)).fetchone()
        how = summed(connection, name)
        if how is None:
            self._define(connection, channel, name)
            how = summed(connection, name)
            assert how is not None
        if from_ms < how.raw_from_ms:
            to_ms = _add_to_sealed(connection, how, span)
        else:
            to_ms = _until(connection, how, span)
            if how.flow is not None and flow_first:  # what weighs this, so that it is summed up once
                for flow in _ready(connection, now_ms, how.flow.channel, from_ms, to_ms):
                    self._go_through(connection, flow, now_ms, end, flow_first=False)
            _sum_up_hours(connection, how, from_ms, to_ms)
            _mark_span(connection, channel, Every.DAY, from_ms // DAY_MS * DAY_MS, _up(to_ms, DAY_MS))
        _done(connection, Span(channel, every, from_ms, to_ms))
        self._weighted_by(connection, name, from_ms, to_ms)
        return to_ms

    def _weighted_by(self, connection: sqlite3.Connection, flow: str, from_ms: int, to_ms: int) -> None:
        """What was summed up before this flow of the same hours came is due again."""
        for channel, trust_ms in connection.execute(
            "select channel, trust_ms from summed s where flow = ? and raw_from_ms <= ? and exists ("
            "select 1 from rollup r where r.channel = s.channel and every_min = 60 "
            "and start_ms >= ? and start_ms < ?)",
            (flow, from_ms, from_ms, to_ms + HOUR_MS),
        ).fetchall():
            _mark_span(connection, channel, Every.HOUR, from_ms, _up(to_ms + trust_ms, HOUR_MS))


def _until(connection: sqlite3.Connection, how: Summed, span: Span) -> int:
    """How far to go now: some hours, and on over those that hold nothing."""
    hours = _FAST_HOURS_AT_ONCE if how.is_fast else _HOURS_AT_ONCE
    to_ms = min(span.to_ms, span.from_ms + hours * HOUR_MS)
    next_ms = _next_hour_ms(connection, how.channel, to_ms)
    return span.to_ms if next_ms is None else min(span.to_ms, next_ms)


def _next_hour_ms(connection: sqlite3.Connection, channel: int, at_ms: int) -> int | None:
    """The first hour from a time on that holds a reading."""
    (first_ms,) = connection.execute(
        f"select min(time_ms) from reading where channel = ? and time_ms >= ? and {TIMED_SQL}",
        (channel, at_ms),
    ).fetchone()
    return None if first_ms is None else int(first_ms) // HOUR_MS * HOUR_MS


def _done(connection: sqlite3.Connection, span: Span) -> None:
    """A span is no longer due; what rows that began in it have beyond it still is."""
    channel, every, from_ms, to_ms = span
    ends = connection.execute(
        "delete from rollup_due where channel = ? and every_min = ? and from_ms >= ? and from_ms < ? "
        "returning to_ms",
        (channel, int(every), from_ms, to_ms),
    ).fetchall()
    _mark_span(connection, channel, every, to_ms, max((row[0] for row in ends), default=to_ms))


def _sum_up_hours(connection: sqlite3.Connection, how: Summed, from_ms: int, to_ms: int) -> None:
    """Hours, and minutes of a channel that is fast, from the readings."""
    finest = Every.MINUTE if how.is_fast else Every.HOUR
    _forget(connection, how.channel, Every.MINUTE, from_ms, to_ms)
    _forget(connection, how.channel, Every.HOUR, from_ms, to_ms)
    sums = of_readings(connection, how.channel, how.flow, from_ms, to_ms, Grid(from_ms, finest.ms))
    _store(connection, how.channel, finest, from_ms, sums)
    if how.is_fast:
        of_minutes = of_rollups(connection, how.channel, Every.MINUTE, from_ms, to_ms, Grid(from_ms, HOUR_MS))
        _store(connection, how.channel, Every.HOUR, from_ms, of_minutes)


def _sum_up_days(connection: sqlite3.Connection, channel: int, from_ms: int, to_ms: int) -> None:
    _forget(connection, channel, Every.DAY, from_ms, to_ms)
    sums = of_rollups(connection, channel, Every.HOUR, from_ms, to_ms, Grid(from_ms, DAY_MS))
    _store(connection, channel, Every.DAY, from_ms, sums)


def _add_to_sealed(connection: sqlite3.Connection, how: Summed, span: Span) -> int:
    """Add what came for an hour whose readings are gone, and let these readings go too; up to where now."""
    from_ms = _next_hour_ms(connection, how.channel, span.from_ms)
    sealed_to_ms = min(span.to_ms, how.raw_from_ms)
    if from_ms is None or from_ms >= sealed_to_ms:
        return sealed_to_ms
    to_ms = from_ms + HOUR_MS
    for every in (Every.MINUTE, Every.HOUR, Every.DAY) if how.is_fast else (Every.HOUR, Every.DAY):
        start_ms = from_ms // every.ms * every.ms
        if start_ms >= how.since_ms(every):
            grid = Grid(start_ms, every.ms)
            more = of_readings(connection, how.channel, how.flow, from_ms, to_ms, grid)
            known = of_rollups(
                connection, how.channel, every, start_ms, max(to_ms, start_ms + every.ms), grid
            )
            both = {k: merged(known[k], sums) if k in known else sums for k, sums in more.items()}
            _store(connection, how.channel, every, start_ms, both)
    connection.execute(
        f"delete from reading where channel = ? and time_ms >= ? and time_ms < ? and {TIMED_SQL}",
        (how.channel, from_ms, to_ms),
    )
    return to_ms


def _forget(connection: sqlite3.Connection, channel: int, every: Every, from_ms: int, to_ms: int) -> None:
    connection.execute(
        "delete from rollup where channel = ? and every_min = ? and start_ms >= ? and start_ms < ?",
        (channel, int(every), from_ms, to_ms),
    )


def _store(
    connection: sqlite3.Connection, channel: int, every: Every, origin_ms: int, sums: dict[int, Sum]
) -> None:
    connection.executemany(
        f"insert or replace into rollup values ({', '.join('?' * 13)})",
        [_row(channel, every, origin_ms + number * every.ms, s) for number, s in sums.items()],
    )


def _row(channel: int, every: Every, start_ms: int, s: Sum) -> tuple[object, ...]:
    low_any = None if s.low_any == s.low else s.low_any
    high_any = None if s.high_any == s.high else s.high_any
    return (
        channel, int(every), start_ms, s.n, s.good, s.counted, s.low, s.high, s.mean, low_any, high_any,
        s.weight or None, s.flow_mean,
    )  # fmt: skip


def _roll_back(connection: sqlite3.Connection) -> None:
    if connection.in_transaction:
        connection.execute("rollback")
