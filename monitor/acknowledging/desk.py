"""Where a token is handed in: what it is good for now, in words, and the acknowledging by the inbox."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.acknowledging.key import read_key
from monitor.acknowledging.token import Told, proves, read
from monitor.plant.model import Plant
from monitor.readings import AlarmState, OperatorAction, Transition
from monitor.store import inbox
from monitor.store.files import open_inbox, open_reader
from monitor.store.told import AlarmNow, alarm_now, told_by

_LONGEST_COMMENT = 500
_WAIT_S = 5.0
_DONE = frozenset({AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})
_NOT_OURS = (
    "This link was not made by this Goodwater, or its message is no longer known here: it may have been cut "
    "off while it was copied, or stem from before a store was put back. Nothing was changed."
)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a token comes to: the words, and where it names an alarm, that alarm.

    `open` says that a button would do something; `by` is the person whom the message told.
    """

    status: int
    words: str
    alarm: Transition | None = None
    by: str = ""
    open: bool = False


class Desk:
    """Judges tokens of one site and hands in what they are good for. Each call opens the store anew."""

    def __init__(self, plant: Plant, data: Path, now_ms: Callable[[], int]) -> None:
        self._plant, self._data, self._now_ms = plant, data, now_ms

    def look(self, token: str) -> Answer:
        """What a token is good for now; nothing is changed.

        Raises: StoreMissing, sqlite3.Error or OSError when the store or the key cannot be read.
        """
        with contextlib.closing(open_reader(self._data)) as connection:
            return self._judged(connection, token)

    def acknowledge(self, token: str, comment: str) -> Answer:
        """Acknowledge, if the token is good for that; the answer says what came of it. Raises as `look`."""
        answer = self.look(token)
        if not answer.open or answer.alarm is None:
            return answer
        alarm = answer.alarm
        action = OperatorAction(
            self._now_ms(),
            "acknowledge",
            f"{alarm.condition}#{alarm.occurrence}",
            answer.by,
            comment[:_LONGEST_COMMENT],
        )
        with contextlib.closing(open_inbox(self._data)) as connection:
            became = inbox.hand_in(connection, self._data, action, _WAIT_S)
        if became == "taken":
            return self.look(token)
        words = "Noted: it is acknowledged as soon as the watch runs again, which it does not at this moment."
        if became == "waiting":
            words = "Noted, but the watch has not taken it up yet. Look again in a minute."
        return Answer(202, words, alarm, answer.by)

    def _judged(self, connection: sqlite3.Connection, token: str) -> Answer:
        claim, key = read(token), read_key(self._data)
        known = None if claim is None else told_by(connection, claim.owed_id)
        if claim is None or key is None or known is None:
            return Answer(404, _NOT_OURS)
        told = Told(claim.owed_id, known.transition.key, known.person)
        if not proves(claim, key, self._plant.site.id, told):
            return Answer(404, _NOT_OURS)
        now = alarm_now(connection, known.transition)
        if self._now_ms() > claim.until_ms:
            words = f"This link was good until {self._clock(claim.until_ms)}, and is not any more."
            return Answer(410, f"{words} {self._standing(now)}", now.last, known.person)
        if now.acknowledged is not None:
            return Answer(200, self._standing(now), now.last, known.person)
        if now.is_another or now.beneath in _DONE or now.beneath is AlarmState.NORMAL:
            return Answer(200, self._standing(now), now.last, known.person)
        return Answer(200, "Nobody has acknowledged this alarm yet.", now.last, known.person, open=True)

    def _standing(self, now: AlarmNow) -> str:
        """How the alarm stands, to somebody whose link can do nothing."""
        done = now.acknowledged
        if done is not None:
            said = f": {done.comment}" if done.comment else ""
            return f"Acknowledged by {done.by or 'somebody'} at {self._clock(done.time_ms)}{said}."
        if now.is_another:
            return "That alarm is over; another one of the same kind stands, with messages of its own."
        if now.beneath is AlarmState.NORMAL:
            return "That alarm is over: nothing is left to acknowledge."
        if now.beneath in _DONE:
            return "It is acknowledged."
        return "Nobody has acknowledged it yet: use a newer message, or goodwater ack at the gateway."

    def _clock(self, time_ms: int) -> str:
        zone = ZoneInfo(self._plant.site.timezone)
        return datetime.fromtimestamp(time_ms / 1000, zone).strftime("%Y-%m-%d %H:%M")
