"""Messages that come from no alarm: a test of every way, and word of a fault of the store itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from monitor.notify.failures import Failure
from monitor.notify.letter import Tone
from monitor.notify.message import Message, own_fault, trial
from monitor.notify.way import Surroundings, Way
from monitor.plant.model import Person, Plant

_DAY_MS = 86_400_000
_PAUSE_MS = 600_000


@dataclass(frozen=True, slots=True)
class Attempt:
    """What came of one message to one person by one way."""

    person: str
    way: str  # the way's label
    ok: bool
    detail: str  # what the far end answered, or why it failed


def try_all(plant: Plant, around: Surroundings, now_ms: int) -> list[Attempt]:
    """Send a test message to everybody by each of their ways; blocks until all are done."""
    return _to_everybody(plant, around, lambda person, way: trial(plant, person, way, now_ms))


class DirectMail:
    """The one exception to the outbox: a fault of Goodwater's own is told from memory, at most daily."""

    def __init__(self, plant: Plant, around: Surroundings, tone: Tone = "high") -> None:
        self._plant = plant
        self._around = around
        self._tone = tone
        self._tried_ms: int | None = None
        self._told_ms: int | None = None

    def tell(self, subject: str, text: str, now_ms: int) -> list[Attempt]:
        """Tell everybody, unless somebody was told within a day or a try was made within ten minutes.

        Blocks for as long as the ways take: not for the thread that stores. Empty when it was not time.
        """
        if _within(self._told_ms, now_ms, _DAY_MS) or _within(self._tried_ms, now_ms, _PAUSE_MS):
            return []
        self._tried_ms = now_ms
        attempts = _to_everybody(
            self._plant,
            self._around,
            lambda person, way: own_fault(self._plant, person, way, subject, text, now_ms, self._tone),
        )
        if any(attempt.ok for attempt in attempts):
            self._told_ms = now_ms
        return attempts


def _within(then_ms: int | None, now_ms: int, span_ms: int) -> bool:
    # A clock set back must not silence us: then counts as long ago.
    return then_ms is not None and 0 <= now_ms - then_ms < span_ms


def _to_everybody(
    plant: Plant, around: Surroundings, made: Callable[[Person, int], Message]
) -> list[Attempt]:
    attempts = []
    for person in plant.person:
        for index, settings in enumerate(person.way):
            way = cast(Way, settings)
            try:
                attempts.append(Attempt(person.id, way.label, True, way.send(made(person, index), around)))
            except Failure as failure:
                attempts.append(Attempt(person.id, way.label, False, str(failure)))
    return attempts
