"""What a person does becomes a row here; the watch takes it up as an event."""

from __future__ import annotations

import sqlite3

from monitor.readings import OperatorAction


def put(connection: sqlite3.Connection, action: OperatorAction) -> int:
    """Put what a person did into the inbox; the number of its row."""
    cursor = connection.execute(
        "insert into inbox (time_ms, action, target, by, comment, event, value, told_ms, until_ms, once) "
        "values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            action.time_ms,
            action.action,
            action.target,
            action.by,
            action.comment,
            action.event,
            action.value,
            action.told_ms,
            action.until_ms,
            action.once,
        ),
    )
    return int(cursor.lastrowid or 0)


def taken(connection: sqlite3.Connection, number: int) -> bool:
    """Whether the watch has taken up a row of the inbox."""
    row = connection.execute("select taken_seq from inbox where id = ?", (number,)).fetchone()
    return row is not None and row["taken_seq"] is not None
