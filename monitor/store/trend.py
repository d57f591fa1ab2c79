"""A channel's course over any span in at most so many points, hiding no extreme.

Each point is a span with its extremes, means and share of good readings. The coarsest rollup that is fine
enough is read; the ends of the span, and hours not yet summed up, are read from the readings, so that the
answer is that of the readings themselves. What has been thinned out by retention is as fine as it still is.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

from monitor.store.rollup import Summed, summed
from monitor.store.sums import DAY_MS, HOUR_MS, Every, Grid, Sum, merged, of_readings, of_rollups

Source = Literal["readings", "minutes", "hours", "days"]

_SOURCES: dict[Every | None, Source] = {
    None: "readings",
    Every.MINUTE: "minutes",
    Every.HOUR: "hours",
    Every.DAY: "days",
}
# Spans of points are whole hours or days; below this many to a point, rounding up would cost too many points.
_DAYS_A_POINT = 4


class Point(NamedTuple):
    """One span of a trend: [start, end), and what the channel said in it."""

    start_ms: int
    end_ms: int
    sum: Sum


@dataclass(frozen=True, slots=True)
class Trend:
    """The points that hold something, by time. Where there is none the channel was silent."""

    channel: str
    from_ms: int
    to_ms: int
    points: tuple[Point, ...]
    sources: tuple[Source, ...]  # what it was read from, earliest first

    def runs(self, longest_step_ms: int) -> list[tuple[Point, ...]]:
        """The points in runs without a gap: a step between the starts of two neighbours that is longer than
        `longest_step_ms` (some intervals of the instrument) and than their own spans is one."""
        runs: list[list[Point]] = []
        for point in self.points:
            if runs:
                before = runs[-1][-1]
                allowed = max(longest_step_ms, before.end_ms - before.start_ms, point.end_ms - point.start_ms)
                if point.start_ms - before.start_ms <= allowed:
                    runs[-1].append(point)
                    continue
            runs.append([point])
        return [tuple(run) for run in runs]


class _Piece(NamedTuple):
    """A part of the span that is read from one source (None: the readings)."""

    every: Every | None
    from_ms: int
    to_ms: int


def trend(connection: sqlite3.Connection, channel: str, from_ms: int, to_ms: int, points: int) -> Trend:
    """The course of a channel in [from, to), in at most `points` points.

    Values are in the quantity's canonical unit. `low`, `high` and `mean` of a point are of the water being
    made (see `sums`), `low_any` and `high_any` of all. A channel nobody knows has no points.

    Raises: ValueError when `points` is less than 1 or the span is empty.
    """
    if points < 1:
        raise ValueError(f"{points} points: a trend has at least one")
    if to_ms <= from_ms:
        raise ValueError(f"a span from {from_ms} to {to_ms} holds nothing")
    with _one_view(connection):
        how = summed(connection, channel) or _never_summed(connection, channel)
        if how is None:
            return Trend(channel, from_ms, to_ms, (), ())
        pieces = list(_pieces(how, _coarsest(how, (to_ms - from_ms) / points), from_ms, to_ms))
        if len(pieces) > points:
            pieces = [_Piece(pieces[0].every, from_ms, to_ms)]
        found: list[Point] = []
        for piece in pieces:
            share = points * (piece.to_ms - piece.from_ms) // (to_ms - from_ms)
            share = max(1, min(share, points - len(pieces) + 1))
            found += _points(connection, how, piece, share)
    return Trend(channel, from_ms, to_ms, tuple(found), tuple(_SOURCES[piece.every] for piece in pieces))


def by_unit(
    connection: sqlite3.Connection, channel: str, every: Every, from_ms: int, to_ms: int
) -> list[Point]:
    """A channel's minutes, hours or days of UTC that begin in [from, to) and hold something.

    What is finer than is still kept is left out. `from_ms` is the beginning of one.
    """
    with _one_view(connection):
        how = summed(connection, channel) or _never_summed(connection, channel)
        if how is None:
            return []
        source = None if not how.summed_yet or (every is Every.MINUTE and not how.is_fast) else every
        sums = _sums(connection, how, _Piece(source, from_ms, to_ms), Grid(from_ms, every.ms))
    starts = ((from_ms + number * every.ms, sums[number]) for number in sorted(sums))
    return [Point(start_ms, start_ms + every.ms, one) for start_ms, one in starts]


@contextlib.contextmanager
def _one_view(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is read is of one moment: what is due and what is summed up must fit together."""
    if connection.in_transaction:
        yield
        return
    connection.execute("begin")
    try:
        yield
    finally:
        connection.execute("commit")


def _never_summed(connection: sqlite3.Connection, channel: str) -> Summed | None:
    row = connection.execute("select id from channel where name = ?", (channel,)).fetchone()
    return None if row is None else Summed(row[0], False, None, 0, 0, 2**62, summed_yet=False)


def _coarsest(how: Summed, width_ms: float) -> Every | None:
    """The coarsest source that is fine enough for points this wide; None: the readings."""
    if not how.summed_yet:
        return None
    if width_ms >= _DAYS_A_POINT * DAY_MS:
        return Every.DAY
    if width_ms >= HOUR_MS:
        return Every.HOUR
    return Every.MINUTE if how.is_fast and width_ms >= Every.MINUTE.ms else None


def _pieces(how: Summed, every: Every | None, from_ms: int, to_ms: int) -> Iterator[_Piece]:
    """The span from the wanted source, and what that no longer holds from the next coarser one."""
    since_ms = how.raw_from_ms if every is None else how.since_ms(every)
    if since_ms > from_ms:
        coarser = _next_coarser(how, every)
        yield from _pieces(how, coarser, from_ms, min(to_ms, since_ms))
    if since_ms < to_ms:
        yield _Piece(every, max(from_ms, since_ms), to_ms)


def _next_coarser(how: Summed, every: Every | None) -> Every:
    if every is None:
        return Every.MINUTE if how.is_fast else Every.HOUR
    return Every.HOUR if every is Every.MINUTE else Every.DAY


def _points(connection: sqlite3.Connection, how: Summed, piece: _Piece, share: int) -> list[Point]:
    """At most `share` points of one piece."""
    if piece.every is None:
        few = _few_readings(connection, how.channel, piece, share)
        width_ms = 1 if few else -(-(piece.to_ms - piece.from_ms) // share)
        grid = Grid(piece.from_ms, width_ms)
    else:
        unit_ms = piece.every.ms
        origin_ms = piece.from_ms // unit_ms * unit_ms
        grid = Grid(origin_ms, -(-(piece.to_ms - origin_ms) // (share * unit_ms)) * unit_ms)
    sums = _sums(connection, how, piece, grid)
    return [
        Point(
            max(grid.origin_ms + k * grid.width_ms, piece.from_ms),
            min(grid.origin_ms + (k + 1) * grid.width_ms, piece.to_ms),
            sums[k],
        )
        for k in sorted(sums)
    ]


def _few_readings(connection: sqlite3.Connection, channel: int, piece: _Piece, most: int) -> bool:
    (n,) = connection.execute(
        "select count(*) from "
        "(select 1 from reading where channel = ? and time_ms >= ? and time_ms < ? limit ?)",
        (channel, piece.from_ms, piece.to_ms, most + 1),
    ).fetchone()
    return int(n) <= most


def _sums(connection: sqlite3.Connection, how: Summed, piece: _Piece, grid: Grid) -> dict[int, Sum]:
    """The sums of a piece by their number in the grid: whole units that are settled from their rollups,
    those that are due and both ends from what is finer, as long as that is there."""
    every, from_ms, to_ms = piece
    if every is None:
        return of_readings(connection, how.channel, how.flow, from_ms, to_ms, grid)
    unit_ms = every.ms
    finer_since_ms = how.hour_from_ms if every is Every.DAY else how.raw_from_ms
    start_ms = (-(-from_ms // unit_ms) if from_ms >= finer_since_ms else from_ms // unit_ms) * unit_ms
    end_ms = (to_ms // unit_ms if to_ms >= finer_since_ms else -(-to_ms // unit_ms)) * unit_ms
    if start_ms > end_ms:  # within one hour or day
        return _finer(connection, how, every, from_ms, to_ms, grid)
    found: dict[int, Sum] = {}

    def add(sums: dict[int, Sum]) -> None:
        for number, one in sums.items():
            found[number] = merged(found[number], one) if number in found else one

    if from_ms < start_ms:
        add(_finer(connection, how, every, from_ms, start_ms, grid))
    at_ms = start_ms
    due = _due(connection, how, every, max(start_ms, finer_since_ms), end_ms)
    for due_from_ms, due_to_ms in [*due, (end_ms, end_ms)]:
        if at_ms < due_from_ms:
            add(of_rollups(connection, how.channel, every, at_ms, due_from_ms, grid))
        if due_from_ms < due_to_ms:
            add(_finer(connection, how, every, due_from_ms, due_to_ms, grid))
        at_ms = due_to_ms
    if end_ms < to_ms:
        add(_finer(connection, how, every, end_ms, to_ms, grid))
    # What came for hours whose readings are gone is not in their rollups yet.
    for due_from_ms, due_to_ms in _due(connection, how, Every.HOUR, start_ms, min(end_ms, finer_since_ms)):
        add(of_readings(connection, how.channel, how.flow, due_from_ms, due_to_ms, grid))
    return found


def _finer(
    connection: sqlite3.Connection, how: Summed, every: Every, from_ms: int, to_ms: int, grid: Grid
) -> dict[int, Sum]:
    if every is Every.DAY:
        return _sums(connection, how, _Piece(Every.HOUR, from_ms, to_ms), grid)
    return of_readings(connection, how.channel, how.flow, from_ms, to_ms, grid)


def _due(
    connection: sqlite3.Connection, how: Summed, every: Every, from_ms: int, to_ms: int
) -> list[tuple[int, int]]:
    """The spans within [from, to), in whole units, whose rollups are not settled; rising and apart."""
    rows = connection.execute(
        "select from_ms, to_ms from rollup_due where channel in (?, ?) and every_min <= ? "
        "and from_ms < ? and to_ms > ? order by from_ms",
        (
            how.channel,
            how.channel if how.flow is None else how.flow.channel,
            max(Every.HOUR, every),
            to_ms,
            from_ms,
        ),
    )
    spans: list[tuple[int, int]] = []
    for due_from_ms, due_to_ms in rows:
        start_ms = max(due_from_ms // every.ms * every.ms, from_ms)
        end_ms = min(-(-due_to_ms // every.ms) * every.ms, to_ms)
        if spans and start_ms <= spans[-1][1]:
            spans[-1] = spans[-1][0], max(end_ms, spans[-1][1])
        else:
            spans.append((start_ms, end_ms))
    return spans
