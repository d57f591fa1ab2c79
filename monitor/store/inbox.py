"""What a person does becomes a row here; the watch takes it up as an event."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Literal

from monitor.readings import OperatorAction
from monitor.store.files import holder

_LOOK_S = 0.05


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


def hand_in(
    connection: sqlite3.Connection, data: Path, action: OperatorAction, wait_s: float
) -> Literal["taken", "waiting", "nobody"]:
    """Put what a person did into the inbox, and wait for a running watch to take it up: whether it has, or
    has not within `wait_s` machine seconds, or nobody watches, so that it takes effect later."""
    number = put(connection, action)
    if holder(data) is None:
        return "nobody"
    end = time.monotonic() + wait_s
    while not taken(connection, number):
        if time.monotonic() >= end:
            return "waiting"
        time.sleep(_LOOK_S)
    return "taken"
