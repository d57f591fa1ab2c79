"""What the stored values rest on, and which were computed anew because that changed.

A value is stored as received and as computed of it. When a calibration is entered afterwards the computed one
is changed, the received one never; what was changed, and by how much, stays on record here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Anew:
    """One channel's span that is, or was, computed anew."""

    number: int
    channel: str
    why: str  # in words: what changed in the site file
    from_ms: int
    asked_ms: int
    done_ms: int | None = None
    looked_at: int = 0
    changed: int = 0
    mean_shift: float = 0.0  # of the values that changed, in the canonical unit of the channel's quantity
    largest_shift: float = 0.0


def grounds(connection: sqlite3.Connection) -> dict[str, str]:
    """What each channel's stored values rest on, as it was written down last."""
    return dict(connection.execute("select channel, grounds from grounds").fetchall())


def set_grounds(connection: sqlite3.Connection, told: Mapping[str, str]) -> None:
    """Write down what values rest on from now on, in the transaction under way."""
    connection.executemany(
        "insert into grounds values (?, ?) on conflict do update set grounds = excluded.grounds",
        list(told.items()),
    )


def ask(connection: sqlite3.Connection, channel: str, why: str, from_ms: int, now_ms: int) -> None:
    """Note that a span is to be computed anew, in the transaction under way."""
    connection.execute(
        "insert into anew (channel, why, from_ms, asked_ms) values (?, ?, ?, ?)",
        (channel, why, from_ms, now_ms),
    )


def asked(connection: sqlite3.Connection) -> list[Anew]:
    """The spans that are not done yet."""
    return _read(connection, "where done_ms is null order by id")


def latest(connection: sqlite3.Connection, limit: int) -> list[Anew]:
    """The newest spans, done or not, newest first."""
    return _read(connection, f"order by id desc limit {limit:d}")


def settle(connection: sqlite3.Connection, one: Anew) -> None:
    """Note a span as done, with what it changed, in the transaction under way."""
    connection.execute(
        "update anew set done_ms = ?, looked_at = ?, changed = ?, mean_shift = ?, largest_shift = ? "
        "where id = ?",
        (one.done_ms, one.looked_at, one.changed, one.mean_shift, one.largest_shift, one.number),
    )


def _read(connection: sqlite3.Connection, tail: str) -> list[Anew]:
    rows = connection.execute(
        "select id, channel, why, from_ms, asked_ms, done_ms, looked_at, changed, mean_shift, largest_shift "
        f"from anew {tail}"
    ).fetchall()
    return [Anew(*row) for row in rows]
