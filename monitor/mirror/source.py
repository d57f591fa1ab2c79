"""The store as the mirror reads it: a connection of its own, that cannot write, for short reads only.

Readings follow by time, channel by channel: in order each is later than the one before. What came late is
found by the record of revisions. Health is counted from the readings, hour by hour, so it needs no record
of its own and late readings count too.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

from monitor.mirror.points import (
    ALARM,
    FIELDS,
    HEALTH,
    HOUR_MS,
    READING,
    Point,
    Strand,
    head,
    line,
    sendable,
)
from monitor.plant.model import Plant
from monitor.readings import AlarmState, Standing, level_of
from monitor.store import revisions
from monitor.store.files import StoreMoved, file_mark, open_reader
from monitor.store.revisions import Revision
from monitor.store.rows import (
    BAD_SQL,
    GOOD_SQL,
    IN_ORDER_SQL,
    TIMED_SQL,
    TRANSITION_COLUMNS,
    latest_in_order,
    reasons_of,
    standing_of,
    transition_from,
)

# An hour is counted when it is over by this much; what comes later still counts it anew.
_HOUR_SETTLES_MS = 300_000

# By urgency, so that a dashboard can colour the number.
_STATES = {
    AlarmState.NORMAL: 0.0,
    AlarmState.ACKNOWLEDGED: 1.0,
    AlarmState.RETURNED: 2.0,
    AlarmState.UNACKNOWLEDGED: 3.0,
    AlarmState.LATCHED_ACKNOWLEDGED: 1.0,
    AlarmState.LATCHED_UNACKNOWLEDGED: 3.0,
    AlarmState.SHELVED: 0.5,
    AlarmState.SUPPRESSED: 0.5,
    AlarmState.OUT_OF_SERVICE: 0.5,
}


class Source:
    """Used by one thread. Every method raises sqlite3.Error and StoreMissing as they come, and StoreMoved
    when the file it has open is no longer the store: close it then, and begin anew."""

    def __init__(self, data: Path, plant: Plant) -> None:
        self._data = data
        self._plant = plant
        self._connection: sqlite3.Connection | None = None
        self._mark: tuple[int, int] | None = None
        self._ids: dict[str, int] = {}
        self._channels: Mapping[str, list[str]] = {
            i.id: [channel.id for channel in i.channel] for i in plant.instrument
        }
        self._intervals = {i.id: i.expected_interval for i in plant.instrument}

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection, self._ids = None, {}

    @property
    def _store(self) -> sqlite3.Connection:
        mark = file_mark(self._data)
        if self._connection is None:
            self._connection, self._mark = open_reader(self._data), mark
        elif mark != self._mark:
            raise StoreMoved(f"another store has taken the place of the one in {self._data}")
        return self._connection

    def born_ms(self) -> int:
        """When the store was made; another number is another store, whose numbers begin anew."""
        (found,) = self._store.execute("select min(applied_ms) from migration").fetchone()
        return int(found)

    def revisions_since(self, number: int, limit: int) -> tuple[list[Revision], bool]:
        """The records after a number, and whether older ones that we have not seen are gone."""
        first = revisions.first_number(self._store)
        return revisions.since(self._store, number, limit), first > number + 1

    def last_revision(self) -> int:
        return revisions.last_number(self._store)

    # --- what a place is known again by, in a store that may have been exchanged

    def revision_mark(self, number: int) -> list[int] | None:
        """What the revision of a number says; None when it is not there, or let go."""
        row = self._store.execute(
            "select channel, from_ms, until_ms from revision where id = ?", (number,)
        ).fetchone()
        return None if row is None else list(row)

    def alarm_mark(self, place: int) -> str | None:
        """The keys of the alarm events at a place; None when there are none, or they were let go."""
        (found,) = self._store.execute(
            "select group_concat(key) from (select key from transition where seq = ? order by id)", (place,)
        ).fetchone()
        return None if found is None else str(found)

    def has_come_to(self, place: int) -> bool:
        """Whether the stream of events has a number like this, or a later one."""
        (last,) = self._store.execute("select coalesce(max(seq), 0) from event").fetchone()
        return int(last) >= place

    def has_reading_at(self, strand: Strand, place: int) -> bool:
        """Whether a strand of readings has one at its place, or none at all any more."""
        number = self._number(strand.of) if strand.measurement == READING else None
        if number is None or place == 0:
            return True
        found, none = self._store.execute(
            "select exists (select 1 from reading where channel = ?1 and time_ms = ?2), "
            "not exists (select 1 from reading where channel = ?1)",
            (number, place),
        ).fetchone()
        return bool(found or none)

    # --- a strand's place: what has been sent. A reading's time, an alarm's event, a health's hour.

    def place_now(self, strand: Strand, now_ms: int) -> int:
        """The place that all there is by now has been passed at."""
        if strand.measurement == ALARM:
            (last,) = self._store.execute("select coalesce(max(seq), 0) from transition").fetchone()
            return int(last)
        if strand.measurement == HEALTH:
            # Of an instrument that has not spoken yet no hour has passed.
            return 0 if self._first_hour(strand.of) is None else _last_hour(now_ms)
        number = self._number(strand.of)
        return 0 if number is None else latest_in_order(self._store, number)

    def after(self, strand: Strand, place: int, limit: int, now_ms: int) -> tuple[list[Point], int]:
        """The next points after a place, at most `limit`, and the place after them."""
        if strand.measurement == ALARM:
            return self._alarms_after(place, limit)
        if strand.measurement == HEALTH:
            return self._hours(strand, place + HOUR_MS, _last_hour(now_ms), limit, place)
        return self._readings(strand, f"time_ms > ? and {IN_ORDER_SQL}", (place,), limit, place)

    def between(self, strand: Strand, from_ms: int, until_ms: int, limit: int) -> list[Point]:
        """The points of a span of time, both ends included, by time; at most `limit`, the earliest."""
        if strand.measurement == ALARM:
            where = "time_ms between ? and ? order by time_ms, id limit ?"
            return [point for _, point in self._alarms(where, (from_ms, until_ms, limit))]
        if strand.measurement == HEALTH:
            return self._hours(strand, -(-from_ms // HOUR_MS) * HOUR_MS, until_ms, limit, 0)[0]
        where = f"time_ms between ? and ? and {TIMED_SQL}"
        return self._readings(strand, where, (from_ms, until_ms), limit, 0)[0]

    def last_ms(self, strand: Strand, now_ms: int) -> int:
        """The latest time a strand's points may have."""
        if strand.measurement == HEALTH:
            return _last_hour(now_ms)
        return now_ms if strand.measurement == ALARM else now_ms + HOUR_MS

    def _number(self, channel: str) -> int | None:
        if channel not in self._ids:
            self._ids = {name: number for number, name in self._store.execute("select id, name from channel")}
        return self._ids.get(channel)

    def _readings(
        self, strand: Strand, where: str, bounds: tuple[int, ...], limit: int, place: int
    ) -> tuple[list[Point], int]:
        number = self._number(strand.of)
        if number is None:
            return [], place
        rows = self._store.execute(
            f"select time_ms, coalesce(value, raw), flags from reading where channel = ? and {where} "
            "order by time_ms limit ?",
            (number, *bounds, limit),
        ).fetchall()
        begin, fields = strand.head, strand.fields
        points = []
        for time_ms, value, flags in rows:
            quality, judged, in_order = _said_by(flags)
            values = (value, quality, judged)
            points.append(Point((), time_ms, values, line(begin, fields, values, time_ms), in_order))
        return [point for point in points if sendable(point.values)], rows[-1][0] if rows else place

    def _alarms_after(self, place: int, limit: int) -> tuple[list[Point], int]:
        """By the number of their event, which is never given twice; what one event did stays together."""
        found = self._alarms("seq > ? order by seq, id limit ?", (place, limit))
        if not found:
            return [], place
        last = found[-1][0]
        whole = [pair for pair in found if pair[0] < last] if len(found) == limit else found
        if not whole:
            whole = self._alarms("seq = ? order by id", (last,))
        return [point for _, point in whole], whole[-1][0]

    def _alarms(self, where: str, bounds: tuple[int, ...]) -> list[tuple[int, Point]]:
        """Alarm events with the numbers of the events that made them."""
        rows = self._store.execute(f"select {TRANSITION_COLUMNS} from transition where {where}", bounds)
        found = []
        for row in rows.fetchall():
            t = transition_from(row)
            tags = {
                "site": self._plant.site.id,
                "condition": t.condition,
                "cause": t.cause,
                "rule": t.rule_kind,
                "subject": t.subject,
                "priority": t.priority,
            }
            values = (_STATES[t.state], float(t.occurrence), float(t.step), t.confidence)
            said = line(head(ALARM, tags), FIELDS[ALARM], values, t.time_ms)
            found.append((row["seq"], Point((t.condition, t.cause), t.time_ms, values, said)))
        return found

    def _hours(
        self, strand: Strand, from_ms: int, until_ms: int, limit: int, place: int
    ) -> tuple[list[Point], int]:
        first = self._first_hour(strand.of)
        if first is None:
            return [], place
        begin = max(from_ms, first)
        hours = range(begin, until_ms + 1, HOUR_MS)[:limit]
        points = []
        for hour_ms in hours:
            values = self._counted(strand.of, hour_ms)
            points.append(Point((), hour_ms, values, line(strand.head, strand.fields, values, hour_ms)))
        return points, hours[-1] if hours else place

    def _first_hour(self, instrument: str) -> int | None:
        """The first whole hour of which there are readings: what retention took away is not counted anew."""
        firsts = [
            row[0]
            for number in self._numbers(instrument)
            if (
                row := self._store.execute(
                    f"select time_ms from reading where channel = ? and {TIMED_SQL} order by time_ms limit 1",
                    (number,),
                ).fetchone()
            )
        ]
        return -(-min(firsts) // HOUR_MS) * HOUR_MS if firsts else None

    def _counted(self, instrument: str, hour_ms: int) -> tuple[float, ...]:
        readings = good = bad = 0
        longest_ms = 0
        numbers = list(self._numbers(instrument))
        for number in numbers:
            n, n_good, n_bad, first, last, gap = self._store.execute(
                "select count(*), coalesce(sum(good), 0), coalesce(sum(bad), 0), min(t), max(t), max(gap) "
                f"from (select time_ms as t, {GOOD_SQL} as good, {BAD_SQL} as bad, "
                "time_ms - lag(time_ms) over (order by time_ms) as gap from reading "
                f"where channel = ? and time_ms >= ? and time_ms < ? and {TIMED_SQL})",
                (number, hour_ms, hour_ms + HOUR_MS),
            ).fetchone()
            readings, good, bad = readings + n, good + n_good, bad + n_bad
            edges = HOUR_MS if first is None else max(first - hour_ms, hour_ms + HOUR_MS - last)
            longest_ms = max(longest_ms, edges, gap or 0)
        expected = len(self._channels[instrument]) * round(HOUR_MS / self._intervals[instrument], 3)
        counts = (readings, expected, good, readings - good - bad, bad, longest_ms / 1000)
        return tuple(map(float, counts))

    def _numbers(self, instrument: str) -> Iterable[int]:
        found = (self._number(channel) for channel in self._channels[instrument])
        return (number for number in found if number is not None)


def _last_hour(now_ms: int) -> int:
    """The beginning of the last hour that is over."""
    return (now_ms - _HOUR_SETTLES_MS) // HOUR_MS * HOUR_MS - HOUR_MS


@lru_cache(maxsize=4_096)
def _said_by(flags: int) -> tuple[float, float, bool]:
    """Quality, judged, in order: what the flags of a row say."""
    level = level_of(reasons_of(flags))
    standing = standing_of(flags)
    return float(level), float(standing == Standing.JUDGED), standing <= Standing.GATED
