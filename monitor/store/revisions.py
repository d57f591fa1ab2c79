"""Spans of a channel that changed behind the watch: readings that came late, values computed anew.

Readings in order need no record: each is later than the one before. Whoever keeps a copy (the mirror)
follows those by time and these by number.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

# No end: all from `from_ms` on changed, and readings in order begin anew there (a clock that ran ahead).
OPEN_END = 2**62

# Times nearer than this are one span: a backlog read from a file is a few rows, not one a reading.
_NEAR_MS = 3_600_000
_MOST_KEPT = 100_000


@dataclass(frozen=True, slots=True)
class Revision:
    """All readings of a channel from `from_ms` to `until_ms`, both included, are to be looked at again."""

    number: int
    channel: str
    from_ms: int
    until_ms: int

    @property
    def open_ended(self) -> bool:
        return self.until_ms >= OPEN_END


def note(connection: sqlite3.Connection, spans: Iterable[tuple[int, int, int]]) -> None:
    """Record spans (channel's number in the store, from, until) in the transaction under way.

    Whoever changes rows of table `reading` other than by adding later ones calls this. The oldest records are
    let go: who follows them is told by `first_number`.
    """
    cursor = connection.executemany(
        "insert into revision (channel, from_ms, until_ms) values (?, ?, ?)", list(spans)
    )
    if cursor.rowcount > 0:
        connection.execute(
            "delete from revision where id <= (select max(id) from revision) - ?", (_MOST_KEPT,)
        )


def joined(changed: Iterable[tuple[int, int]]) -> list[tuple[int, int, int]]:
    """(channel, time) of single readings as spans (channel, from, until)."""
    spans: list[tuple[int, int, int]] = []
    for channel, time_ms in sorted(changed):
        if spans and spans[-1][0] == channel and time_ms - spans[-1][2] <= _NEAR_MS:
            spans[-1] = (channel, spans[-1][1], time_ms)
        else:
            spans.append((channel, time_ms, time_ms))
    return spans


def since(connection: sqlite3.Connection, number: int, limit: int) -> list[Revision]:
    """The records after a number, in the order they were made."""
    rows = connection.execute(
        "select r.id, c.name, r.from_ms, r.until_ms from revision r join channel c on c.id = r.channel "
        "where r.id > ? order by r.id limit ?",
        (number, limit),
    ).fetchall()
    return [Revision(*row) for row in rows]


def first_number(connection: sqlite3.Connection) -> int:
    """The oldest record still kept; a follower whose next number is smaller has missed some. 0: none kept."""
    (n,) = connection.execute("select coalesce(min(id), 0) from revision").fetchone()
    return int(n)


def last_number(connection: sqlite3.Connection) -> int:
    """The newest record; 0 when there is none."""
    (n,) = connection.execute("select coalesce(max(id), 0) from revision").fetchone()
    return int(n)
