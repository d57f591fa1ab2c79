"""What is stored as one wide table: a row for each time, columns for each channel.

Values are in the quantities' canonical units; which column is in which unit is said by its name.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from monitor.plant.model import Plant
from monitor.plant.quantities import QUANTITIES
from monitor.readings import Reading, Standing
from monitor.store import reader
from monitor.store.rollup import summed
from monitor.store.rows import TIMED_SQL
from monitor.store.sums import HOUR_MS, Every, Sum
from monitor.store.trend import by_unit, trend

Resolution = Literal["readings", "minutes", "hours", "days"]
RESOLUTIONS: tuple[Resolution, ...] = ("readings", "minutes", "hours", "days")
Cell = float | int | str | None

_STEP_MS = 6 * HOUR_MS
_SUMS_STEP_MS = {"minutes": 24 * HOUR_MS, "hours": 31 * 24 * HOUR_MS}


@dataclass(frozen=True, slots=True)
class Column:
    """One column besides the time."""

    channel: str
    what: str  # `value`, `quality`, `lowest` ...; what the column says of the channel
    unit: str
    kind: Literal["number", "count", "text"] = "number"

    @property
    def name(self) -> str:
        of = self.channel if self.what == "value" else f"{self.channel} {self.what}"
        return f"{of} [{self.unit}]" if self.unit else of


class Row(NamedTuple):
    """What was at a time, in the order of the columns."""

    time_ms: int
    cells: list[Cell]


def columns(plant: Plant, channels: Sequence[str], resolution: Resolution) -> list[Column]:
    """The columns of a table of some channels."""
    return [column for name in channels for column in _columns(plant, name, resolution)]


def _columns(plant: Plant, name: str, resolution: Resolution) -> list[Column]:
    unit = QUANTITIES[plant.channels[name].quantity].unit
    unit = "" if unit == "1" else unit
    if resolution == "readings":
        return [Column(name, "value", unit), Column(name, "quality", "", "text")]
    found = [Column(name, what, unit) for what in ("lowest", "highest", "mean")]
    if _flows(plant, name):
        found.append(Column(name, "flow-weighted mean", unit))
    return [*found, Column(name, "readings", "", "count"), Column(name, "good", "percent")]


def _flows(plant: Plant, name: str) -> bool:
    """Whether something says how much water runs past a channel."""
    gate = plant.channels[name].gate
    return gate is not None and gate.flow is not None


def rows(
    connection: sqlite3.Connection,
    plant: Plant,
    channels: Sequence[str],
    resolution: Resolution,
    since_ms: int | None = None,
    until_ms: int | None = None,
) -> Iterator[Row]:
    """The rows of a table by time; of times at which nothing was there is none.

    Minutes and hours are those of UTC, days those of the shop. Nothing is held open between two rows.
    """
    first_ms, last_ms = _extent(connection, channels, resolution)
    from_ms = first_ms if since_ms is None else max(since_ms, first_ms)
    to_ms = last_ms + 1 if until_ms is None else min(until_ms, last_ms + 1)
    if from_ms >= to_ms:
        return
    if resolution == "readings":
        yield from _readings(connection, channels, from_ms, to_ms)
    elif resolution == "days":
        yield from _days(connection, plant, channels, from_ms, to_ms)
    else:
        yield from _units(connection, plant, channels, resolution, from_ms, to_ms)


def _extent(
    connection: sqlite3.Connection, channels: Sequence[str], resolution: Resolution
) -> tuple[int, int]:
    """The first and last time there is something of; (0, -1) where there is nothing."""
    marks = ", ".join("?" * len(channels))
    ids = [r[0] for r in connection.execute(f"select id from channel where name in ({marks})", channels)]
    found: list[int] = []
    timed = "" if resolution == "readings" else f"and {TIMED_SQL}"
    for number in ids:
        for order in ("asc", "desc"):
            row = connection.execute(
                f"select time_ms from reading where channel = ? {timed} order by time_ms {order} limit 1",
                (number,),
            ).fetchone()
            found += [] if row is None else [row[0]]
        if resolution != "readings":
            (start_ms,) = connection.execute(
                "select min(start_ms) from rollup where channel = ?", (number,)
            ).fetchone()
            found += [] if start_ms is None else [start_ms]
    return (min(found), max(found)) if found else (0, -1)


def _readings(
    connection: sqlite3.Connection, channels: Sequence[str], from_ms: int, to_ms: int
) -> Iterator[Row]:
    while from_ms < to_ms:
        until_ms = min(to_ms, from_ms + _STEP_MS)
        by_time: dict[int, list[Cell]] = {}
        for place, name in enumerate(channels):
            for r in reader.readings(connection, name, from_ms, until_ms):
                cells = by_time.setdefault(r.time_ms, [None] * (2 * len(channels)))
                cells[2 * place : 2 * place + 2] = r.value, quality(r)
        yield from (Row(time_ms, by_time[time_ms]) for time_ms in sorted(by_time))
        from_ms = until_ms if by_time else _next_ms(connection, channels, until_ms, to_ms)


def _next_ms(connection: sqlite3.Connection, channels: Sequence[str], from_ms: int, to_ms: int) -> int:
    """On over a gap: one stamp of years ahead must not cost years of steps."""
    times = [next(reader.readings(connection, name, from_ms, to_ms), None) for name in channels]
    return min((r.time_ms for r in times if r is not None), default=to_ms)


def quality(r: Reading) -> str:
    """The quality of a reading in a word, with what it was not used for."""
    level = r.level.name.lower()
    return level if r.standing is Standing.JUDGED else f"{level}, {r.standing.name.lower().replace('_', ' ')}"


def _units(
    connection: sqlite3.Connection,
    plant: Plant,
    channels: Sequence[str],
    resolution: Literal["minutes", "hours"],
    from_ms: int,
    to_ms: int,
) -> Iterator[Row]:
    every = Every.MINUTE if resolution == "minutes" else Every.HOUR
    start_ms = from_ms // every.ms * every.ms
    while start_ms < to_ms:
        until_ms = min(-(-to_ms // every.ms) * every.ms, start_ms + _SUMS_STEP_MS[resolution])
        spans = {
            name: {p.start_ms: p.sum for p in by_unit(connection, name, every, start_ms, until_ms)}
            for name in channels
        }
        times = sorted({time_ms for found in spans.values() for time_ms in found})
        for time_ms in times:
            yield Row(time_ms, _cells(plant, {name: spans[name].get(time_ms) for name in channels}))
        start_ms = until_ms


def _days(
    connection: sqlite3.Connection, plant: Plant, channels: Sequence[str], from_ms: int, to_ms: int
) -> Iterator[Row]:
    zone = ZoneInfo(plant.site.timezone)
    day = datetime.fromtimestamp(from_ms / 1000, zone).date()
    while (start_ms := _midnight_ms(day, zone)) < to_ms:
        end_ms = _midnight_ms(day + timedelta(days=1), zone)
        sums = {name: _day_sum(connection, name, day, start_ms, end_ms) for name in channels}
        if any(sums.values()):
            yield Row(start_ms, _cells(plant, sums))
        day += timedelta(days=1)


def _day_sum(connection: sqlite3.Connection, name: str, day: date, start_ms: int, end_ms: int) -> Sum | None:
    """A day of the shop; where its hours are gone the day of UTC of the same date."""
    how = summed(connection, name)
    if how is not None and start_ms < how.hour_from_ms:
        midnight_ms = _midnight_ms(day, ZoneInfo("UTC"))
        points = by_unit(connection, name, Every.DAY, midnight_ms, midnight_ms + Every.DAY.ms)
    else:
        points = list(trend(connection, name, start_ms, end_ms, 1).points)
    return points[0].sum if points else None


def _midnight_ms(day: date, zone: ZoneInfo) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()) * 1000


def _cells(plant: Plant, sums: dict[str, Sum | None]) -> list[Cell]:
    cells: list[Cell] = []
    for name, one in sums.items():
        makers = _FLOWING if _flows(plant, name) else _PLAIN
        cells += [None if one is None else make(one) for make in makers]
    return cells


_Make = Callable[[Sum], Cell]
_EXTREMES: tuple[_Make, ...] = (lambda s: s.low, lambda s: s.high, lambda s: s.mean)
_HOW_MANY: tuple[_Make, ...] = (lambda s: s.n, lambda s: 100.0 * s.share_good)
_PLAIN = _EXTREMES + _HOW_MANY
_FLOWING = (*_EXTREMES, lambda s: s.flow_mean, *_HOW_MANY)
