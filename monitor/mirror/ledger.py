"""What has been sent, and what is still to be looked at: a small file of the mirror's own in the data folder.

The store has one writer, so this is kept apart. A place is moved in the same transaction that notes the span
to be compared, after the server's acknowledgement: a kill between the two sends a batch once more. When the
ledger is lost the mirror compares everything anew instead of sending it anew.
"""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.mirror.points import HOUR_MS

log = logging.getLogger(__name__)

REVISE = -1  # the stage of what changed behind the mirror: sent where it is missing

_SCHEMA = """
create table if not exists place (strand text primary key, at integer not null) without rowid;
create table if not exists span (
    id integer primary key, strand text not null, from_ms integer not null, until_ms integer not null,
    stage integer not null, tries integer not null, made_ms integer not null, due_ms integer not null
);
create index if not exists span_due on span (due_ms);
create index if not exists span_strand on span (strand, stage);
create table if not exists note (key text primary key, value text not null) without rowid;
"""
# Times of a channel nearer than this are revised as one span.
_NEAR_MS = HOUR_MS


@dataclass(frozen=True, slots=True)
class Span:
    """A span of a strand, both ends included, that is to be compared (or sent) when it is due."""

    id: int
    strand: str
    from_ms: int
    until_ms: int
    stage: int
    tries: int  # how often points of it were missing
    made_ms: int


def path_of(data: Path, mirror: str) -> Path:
    return data / f"mirror-{mirror}.db"


class Ledger:
    """Raises sqlite3.Error as it comes. Used by one thread; a command may add a span from another process."""

    def __init__(self, path: Path) -> None:
        self._connection = _opened(path)

    @classmethod
    def mended(cls, path: Path) -> Ledger:
        """The ledger; one that is damaged is set aside first, and a new one begun."""
        try:
            return cls(path)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):
                raise  # locked, read-only, full: it may pass
            aside = _set_aside(path)
            log.error("%s is damaged (%s): set aside as %s, everything is compared anew", path, error, aside)
            return cls(path)

    def close(self) -> None:
        self._connection.close()

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """One transaction; may be nested."""
        if self._connection.in_transaction:
            yield
            return
        self._connection.execute("begin immediate")
        try:
            yield
        except BaseException:
            self._connection.execute("rollback")
            raise
        self._connection.execute("commit")

    # --- places

    def places(self) -> dict[str, int]:
        return dict(self._connection.execute("select strand, at from place").fetchall())

    def set_place(self, strand: str, at: int) -> None:
        self._connection.execute(
            "insert into place values (?, ?) on conflict do update set at = excluded.at", (strand, at)
        )

    # --- spans

    def due(self, now_ms: int) -> Span | None:
        """The span that has been due longest. One made in the future was made by a clock set back since."""
        row = self._connection.execute(
            "select id, strand, from_ms, until_ms, stage, tries, made_ms from span "
            "where due_ms <= ? or made_ms > ? order by due_ms limit 1",
            (now_ms, now_ms + HOUR_MS),
        ).fetchone()
        return None if row is None else Span(*row)

    def next_due_ms(self) -> int | None:
        found: int | None = self._connection.execute("select min(due_ms) from span").fetchone()[0]
        return found

    def look(
        self,
        strand: str,
        from_ms: int,
        until_ms: int,
        stage: int,
        now_ms: int,
        lag_ms: int,
        *,
        tries: int = 0,
        unanswered: bool = False,
    ) -> None:
        """Compare this span when `lag_ms` have passed. It joins the one before when they touch and that one
        is young, or when the server cannot be asked: neither a steady flow nor an outage piles up rows."""
        row = self._connection.execute(
            "select id, made_ms from span where strand = ? and stage = ? and tries = 0 "
            "and from_ms <= ? and until_ms >= ? order by id desc limit 1",
            (strand, stage, from_ms, from_ms - 1),
        ).fetchone()
        if row is not None and tries == 0 and (unanswered or now_ms - row[1] < _young(lag_ms)):
            self._connection.execute(
                "update span set until_ms = max(until_ms, ?), due_ms = ? where id = ?",
                (until_ms, now_ms + lag_ms, row[0]),
            )
        else:
            self._add(strand, from_ms, until_ms, stage, tries, now_ms, now_ms + lag_ms)

    def revise(self, strand: str, from_ms: int, until_ms: int, now_ms: int, lag_ms: int) -> None:
        """Something in this span changed behind what has been sent."""
        row = self._connection.execute(
            "select id from span where strand = ? and stage = ? and from_ms <= ? and until_ms >= ? limit 1",
            (strand, REVISE, until_ms + _NEAR_MS, from_ms - _NEAR_MS),
        ).fetchone()
        if row is not None:
            self._connection.execute(
                "update span set from_ms = min(from_ms, ?), until_ms = max(until_ms, ?) where id = ?",
                (from_ms, until_ms, row[0]),
            )
        else:
            self._add(strand, from_ms, until_ms, REVISE, 0, now_ms, now_ms + lag_ms)

    def fresh(self, strand: str, now_ms: int) -> list[tuple[int, int]]:
        """Spans that were sent a moment ago: a server may not show them yet, and they will be looked at."""
        return self._connection.execute(
            "select from_ms, until_ms from span where strand = ? and stage >= 0 and due_ms > ?",
            (strand, now_ms),
        ).fetchall()

    def shorten(self, span: Span, from_ms: int) -> None:
        """What lies before is done; nothing is left of a span that ends before."""
        self._connection.execute("update span set from_ms = ? where id = ?", (from_ms, span.id))
        self._connection.execute("delete from span where id = ? and from_ms > until_ms", (span.id,))

    def _add(
        self, strand: str, from_ms: int, until_ms: int, stage: int, tries: int, now_ms: int, due_ms: int
    ) -> None:
        self._connection.execute(
            "insert into span (strand, from_ms, until_ms, stage, tries, made_ms, due_ms) "
            "values (?, ?, ?, ?, ?, ?, ?)",
            (strand, from_ms, until_ms, stage, tries, now_ms, due_ms),
        )

    # --- notes: small values by name

    def note(self, key: str, default: Any = None) -> Any:
        row = self._connection.execute("select value from note where key = ?", (key,)).fetchone()
        return default if row is None else json.loads(row[0])

    def set_note(self, key: str, value: Any) -> None:
        self._connection.execute(
            "insert into note values (?, ?) on conflict do update set value = excluded.value",
            (key, json.dumps(value, ensure_ascii=False)),
        )

    def count(self, key: str, n: int) -> None:
        """Add to a counter."""
        if n:
            self.set_note(key, self.note(key, 0) + n)


def _young(lag_ms: int) -> int:
    """How long a span takes in what is sent next: as long as its lag, or an eighth of a long one."""
    return max(lag_ms // 8, min(lag_ms, 900_000))


def _opened(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=10.0, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("pragma journal_mode = wal")
        # A power cut may take the last transactions with it: then some points are sent once more.
        connection.execute("pragma synchronous = normal")
        if connection.execute("pragma quick_check(1)").fetchone()[0] != "ok":
            raise sqlite3.DatabaseError("its pages do not fit together")
        connection.executescript(_SCHEMA)
    except BaseException:
        connection.close()
        raise
    return connection


def _set_aside(path: Path) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for tail in ("-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    return aside
