"""What can still be read of a damaged store, copied row by row into a new one.

A page that cannot be read costs the rows on it, not the table: each is read from its beginning and from its
end up to what is damaged, readings besides day by day in between.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.store import replaced
from monitor.store.backup import BackupError
from monitor.store.files import PAGE_BYTES
from monitor.store.schema import migrate
from monitor.store.sums import DAY_MS

_ROWS_AT_ONCE = 10_000


@dataclass(frozen=True, slots=True)
class Salvaged:
    """How many rows of each table could be read, and which have parts that could not."""

    rows: dict[str, int]
    torn: list[str]


def salvage(data: Path, file: Path, now_ms: int) -> tuple[Salvaged, str | None]:
    """Put what can be read of a damaged store in the place of the present one; what there was, and the name
    of the old one, which is kept.

    Call it while holding the data folder. Raises: BackupError when nothing can be read, OSError.
    """
    waiting = replaced.waiting_place(data)
    waiting.unlink(missing_ok=True)
    try:
        with contextlib.closing(_opened(file)) as source, contextlib.closing(_new(waiting, now_ms)) as target:
            found = _copied(source, target)
    except BaseException:
        waiting.unlink(missing_ok=True)
        raise
    with waiting.open("rb+") as opened:
        replaced.sync_file(opened)
    replaced.note_restored(data, f"what could be read of {file.name}", now_ms)
    return found, replaced.put_in_place(data)


def _opened(file: Path) -> sqlite3.Connection:
    try:
        connection = sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True, isolation_level=None)
        connection.execute("select count(*) from sqlite_master").fetchone()
    except sqlite3.Error as error:
        raise BackupError(f"nothing of {file} can be read: {error}") from error
    return connection


def _new(file: Path, now_ms: int) -> sqlite3.Connection:
    connection = sqlite3.connect(file, isolation_level=None)
    connection.execute(f"pragma page_size = {PAGE_BYTES}")
    connection.execute("pragma synchronous = off")  # it is synced once, when it is whole
    migrate(connection, now_ms)
    return connection


def _copied(source: sqlite3.Connection, target: sqlite3.Connection) -> Salvaged:
    rows: dict[str, int] = {}
    torn = []
    tables = target.execute(
        "select name from sqlite_master "
        "where type = 'table' and name not like 'sqlite_%' and name != 'migration'"
    ).fetchall()
    for (table,) in tables:
        target.execute("begin")
        whole = _by_channel(source, target, table) if table in _OF_CHANNELS else _table(source, target, table)
        target.execute("commit")
        (rows[table],) = target.execute(f'select count(*) from "{table}"').fetchone()
        torn += [] if whole else [table]
    return Salvaged(rows, torn)


# The time of a row, in tables whose key begins with a channel.
_OF_CHANNELS = {"reading": "time_ms", "rollup": "start_ms"}


def _by_channel(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> bool:
    time = _OF_CHANNELS[table]
    whole = True
    for (channel,) in target.execute("select id from channel").fetchall():
        where = f"channel = {channel}"
        if _table(source, target, table, where):
            continue
        whole = False
        first_ms, last_ms = target.execute(
            f"select min({time}), max({time}) from {table} where {where}"
        ).fetchone()
        for from_ms in range(first_ms or 0, (last_ms or 0) + 1, DAY_MS):
            _table(source, target, table, f"{where} and {time} >= {from_ms} and {time} < {from_ms + DAY_MS}")
    return whole


def _table(source: sqlite3.Connection, target: sqlite3.Connection, table: str, where: str = "1") -> bool:
    """Copy rows of a table from the beginning, and if that breaks off from the end; whether it did not."""
    columns = _columns(source, target, table)
    if not columns:
        return False
    names = ", ".join(columns)
    insert = f"insert or ignore into {table} ({names}) values ({', '.join('?' * len(columns))})"
    keys = _keys(target, table)
    for order in ("asc", "desc"):
        by = ", ".join(f"{key} {order}" for key in keys)
        rows = _until_it_breaks(source, f"select {names} from {table} where {where} order by {by}")
        whole = True
        for some in rows:
            whole = some is not None
            target.executemany(insert, some or ())
        if whole:
            return order == "asc"
    return False


def _until_it_breaks(source: sqlite3.Connection, query: str) -> Iterator[list[Sequence[object]] | None]:
    """Rows, some at once; None at the end where it broke off."""
    some: list[Sequence[object]] = []
    try:
        for row in source.execute(query):
            some.append(row)
            if len(some) >= _ROWS_AT_ONCE:
                yield some
                some = []
    except sqlite3.DatabaseError:
        yield some
        yield None
    else:
        yield some


def _columns(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> list[str]:
    """The columns both have: a damaged file may be of an older version."""
    try:
        there = {row[1] for row in source.execute(f"pragma table_info({table})")}
    except sqlite3.DatabaseError:
        return []
    return [row[1] for row in target.execute(f"pragma table_info({table})") if row[1] in there]


def _keys(target: sqlite3.Connection, table: str) -> list[str]:
    keyed = [(row[5], row[1]) for row in target.execute(f"pragma table_info({table})") if row[5]]
    return [name for _, name in sorted(keyed)] or ["rowid"]
