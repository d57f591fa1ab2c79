"""The daily line: "all well", or what is not. The day it does not come, somebody looks.

It goes the same ways as alarms do, so its coming says that those still work, which no heartbeat can.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

from monitor.alive.settings import AllWell
from monitor.clock import Clock
from monitor.notify.failures import Failure
from monitor.notify.letter import Letter, as_html, as_text
from monitor.notify.message import Message
from monitor.notify.way import Surroundings, Way
from monitor.notify.words import one_line
from monitor.plant.message_ids import trial_id
from monitor.plant.model import Person, Plant
from monitor.readings import CLOCK_TRUSTED_FROM_MS, AlarmState, Transition
from monitor.store import reader
from monitor.worker import Worker

log = logging.getLogger(__name__)

_FILE = "all-well"
_LOOK_S = 20.0
_AGAIN_S = 600.0  # after a try that reached nobody
_OLD_MS = 86_400_000
_MOST_NAMED = 12
_KEPT_BACK = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})


def due_by(now_ms: int, at: str, zone: str) -> date | None:
    """The day whose line is due by now; None while today's hour has not come.

    >>> due_by(1_920_000_000_000, "06:00", "Europe/Vienna")  # 06:20 there
    datetime.date(2030, 11, 4)
    """
    local = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone))
    return local.date() if f"{local:%H:%M}" >= at else None


def letter_of(plant: Plant, connection: sqlite3.Connection, now_ms: int, at: str) -> Letter:
    """The line about this moment, and what it rests on."""
    alarms = reader.current_alarms(connection)
    standing = [alarm for alarm in alarms if alarm.state not in _KEPT_BACK]
    latest, totals = reader.latest(connection), reader.outbox_totals(connection)
    mute = [
        name
        for name in plant.channels
        if name not in latest or now_ms - latest[name].time_ms > max(_OLD_MS, 3 * plant.interval_of(name))
    ]
    troubles = [
        _count(len(standing), "alarm stands", "alarms stand"),
        _count(len(mute), "channel has said nothing for a day", "channels have said nothing for a day"),
        _count(totals.given_up, "message was given up", "messages were given up"),
    ]
    said = ", ".join(filter(None, troubles))
    name = plant.site.name
    return Letter(
        first_line=f"Not all well at {name}: {said}" if said else f"All well at {name}: no alarm stands",
        facts=(
            ("Alarms", _names([_called(alarm) for alarm in standing])),
            ("Kept back", _names([_called(alarm) for alarm in alarms if alarm.state in _KEPT_BACK])),
            ("Silent for a day", _names(mute)),
            ("Channels that spoke", f"{len(plant.channels) - len(mute)} of {len(plant.channels)}"),
            ("Messages that wait", str(totals.due)),
        ),
        meaning=(
            f"This line comes every day at {at}, the shop's time, the way alarms come. On a day without it "
            "look at the gateway first: then nobody may be told of anything.",
        ),
    )


class Daily:
    """Sends the line once a day, in a thread of its own; the day told last is kept in the data folder."""

    def __init__(
        self,
        settings: AllWell,
        plant: Plant,
        around: Surroundings,
        data: Path,
        clock: Clock,
        connect: Callable[[], sqlite3.Connection],
    ) -> None:
        self._at, self._plant, self._around = settings.at or "", plant, around
        self._people = [person for person in plant.person if not settings.to or person.id in settings.to]
        self._file, self._clock, self._connect = data / _FILE, clock, connect
        self._worker = Worker("daily line", self._run)

    def start(self) -> None:
        self._worker.start()

    def stop(self) -> None:
        """Begin nothing new; what is under way ends by its own time limits."""
        self._worker.stop(2.0)

    def _run(self) -> None:
        while not self._worker.stopping.is_set():
            pause_s = _LOOK_S
            try:
                if not self.look():
                    pause_s = _AGAIN_S
            except (OSError, sqlite3.Error) as error:
                log.warning("the daily line waits: %s", error)
            except Exception:  # a mistake of ours: the watch goes on without the line
                log.exception("the daily line could not be made")
                pause_s = _AGAIN_S
            self._worker.stopping.wait(min(self._clock.machine_s(pause_s), pause_s))

    def look(self) -> bool:
        """Tell today's line where it is due and was not told; False when it reached nobody."""
        now_ms = self._clock.now_ms()
        day = due_by(now_ms, self._at, self._plant.site.timezone) if now_ms >= CLOCK_TRUSTED_FROM_MS else None
        if day is None or self._told() >= day.isoformat():
            return True
        with contextlib.closing(self._connect()) as connection:
            letter = letter_of(self._plant, connection, now_ms, self._at)
        reached = [self._send(letter, person, way, day, now_ms)
                   for person in self._people for way in range(len(person.way))]  # fmt: skip
        if any(reached):
            self._file.write_text(day.isoformat(), encoding="utf-8")
        return any(reached)

    def _told(self) -> str:
        """The day that was told last; one to come, told by a clock that ran ahead, counts for nothing."""
        try:
            told = self._file.read_text(encoding="utf-8").strip()
        except (FileNotFoundError, UnicodeDecodeError):
            return ""
        now = datetime.fromtimestamp(self._clock.now_ms() / 1000, ZoneInfo(self._plant.site.timezone))
        return told if told <= (now.date() + timedelta(days=1)).isoformat() else ""

    def _send(self, letter: Letter, person: Person, number: int, day: date, now_ms: int) -> bool:
        way = cast(Way, person.way[number])
        try:
            way.send(self._message(letter, person, number, day, now_ms), self._around)
        except Failure as failure:
            log.warning("the daily line did not reach %s by %s: %s", person.id, way.label, failure)
            return False
        return True

    def _message(self, letter: Letter, person: Person, number: int, day: date, now_ms: int) -> Message:
        site, text = self._plant.site, as_text(letter)
        own_id = trial_id(f"{person.id}/all-well", number, site.id, day.toordinal())
        subject = one_line(letter.first_line, 160)
        return Message(
            subject=subject,
            text=text,
            html=as_html(letter),
            message_id=own_id,
            thread_id=own_id,
            time_ms=now_ms,
            from_name=f"Goodwater {site.name}",
            to_name=person.name,
            data={
                "format": "goodwater.all-well/1",
                "message_id": own_id,
                "site": {"id": site.id, "name": site.name},
                "first_line": subject,
                "text": text,
            },
        )


def _called(alarm: Transition) -> str:
    return f"{alarm.condition}#{alarm.occurrence}"


def _names(names: list[str]) -> str:
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more if names else "none"


def _count(number: int, one: str, many: str) -> str:
    return "" if number == 0 else f"{number} {one if number == 1 else many}"
