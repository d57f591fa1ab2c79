"""What one row of the outbox told whom, and what has become of that alarm since."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from monitor.readings import AlarmState, Transition
from monitor.store.rows import TRANSITION_COLUMNS, transition_from


@dataclass(frozen=True, slots=True)
class ToldBy:
    """A row of the outbox about an alarm."""

    person: str
    transition: Transition


@dataclass(frozen=True, slots=True)
class AlarmNow:
    """The occurrence of an alarm that somebody was told of, as it stands now."""

    last: Transition  # the last transition of that occurrence
    acknowledged: Transition | None  # since what was told, if it was
    is_another: bool  # the condition has become an alarm again since: another occurrence

    @property
    def beneath(self) -> AlarmState:
        """The state it has, or would have if it were not kept back."""
        return self.last.beneath or self.last.state


def told_by(connection: sqlite3.Connection, owed_id: int) -> ToldBy | None:
    """What a row of the outbox told; None when there is no such row, or it is about no alarm."""
    row = connection.execute(
        "select o.person, o.transition_key from outbox o where o.id = ?", (owed_id,)
    ).fetchone()
    if row is None or row["transition_key"] is None:
        return None
    found = connection.execute(
        f"select {TRANSITION_COLUMNS} from transition where key = ?", (row["transition_key"],)
    ).fetchone()
    return None if found is None else ToldBy(row["person"], transition_from(found))


def alarm_now(connection: sqlite3.Connection, told: Transition) -> AlarmNow:
    """How the alarm of a stored transition stands now."""
    rows = connection.execute(
        f"select {TRANSITION_COLUMNS} from transition where condition = ? and "
        "(occurrence > ? or (occurrence = ? and step >= ?)) order by id",
        (told.condition, told.occurrence, told.occurrence, told.step),
    )
    since = [transition_from(row) for row in rows]
    same = [one for one in since if one.occurrence == told.occurrence]
    acknowledged = [one for one in same if one.cause == "acknowledged"]
    return AlarmNow(
        last=same[-1] if same else told,
        acknowledged=acknowledged[-1] if acknowledged else None,
        is_another=len(same) < len(since),
    )
