"""Kinds of the last 24 hours: starts of a contact, and hours it ran."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from monitor.condition.conditioner import trusted_for_ms
from monitor.condition.derive.kind import UP, Value
from monitor.condition.derive.tally import HOUR_MS
from monitor.frozen import replace
from monitor.plant.derived import RunTime, StartsPerDay
from monitor.plant.model import Plant
from monitor.readings import Level, OperatorAction, Reading, Reason

_HOLDS_MS = 600_000
_HOURS = 24


@dataclass(frozen=True, slots=True)
class LastDay:
    """What came in each hour of the last 24, and the contact as it stood."""

    hours: tuple[tuple[int, float], ...] = ()  # number of the hour since 1970, and what came in it
    began_ms: int = 0
    last_ms: int = 0
    last: float = 0.0

    version = 1


class LastDayKind:
    """A sum over the last 24 hours, by whole hours."""

    remembers: ClassVar[bool] = True

    def __init__(self, running: str, plant: Plant) -> None:
        self._holds_ms = max(_HOLDS_MS, trusted_for_ms(plant, running))
        self.directions: Mapping[str, int] = {running: UP}

    def start(self) -> LastDay:
        return LastDay()

    def on_event(self, memory: LastDay, event: OperatorAction) -> LastDay:
        return memory

    def resumed(self, last: Reading, inputs: Mapping[str, Reading]) -> LastDay:
        return LastDay()

    def on_reading(self, memory: LastDay, reading: Reading) -> LastDay:
        if reading.level == Level.BAD:
            return memory
        now_ms, value = reading.time_ms, reading.value
        if not memory.last_ms or now_ms <= memory.last_ms:
            return replace(memory, began_ms=memory.began_ms or now_ms, last_ms=now_ms, last=value)
        hours = {hour: sum_ for hour, sum_ in memory.hours if hour > now_ms // HOUR_MS - _HOURS}
        self._add(hours, memory, now_ms, value)
        return replace(memory, hours=tuple(hours.items()), last_ms=now_ms, last=value)

    def _add(self, hours: dict[int, float], memory: LastDay, now_ms: int, value: float) -> None:
        raise NotImplementedError

    def value(self, memory: LastDay, inputs: Mapping[str, Reading]) -> Value | None:
        young = memory.last_ms - memory.began_ms < _HOURS * HOUR_MS
        doubt = Reason.INPUT_UNCERTAIN if young else Reason.NONE
        return Value(sum(sum_ for _, sum_ in memory.hours), doubt)


class StartsKind(LastDayKind):
    """How often the contact became 1."""

    def __init__(self, settings: StartsPerDay, plant: Plant) -> None:
        super().__init__(settings.running, plant)

    def _add(self, hours: dict[int, float], memory: LastDay, now_ms: int, value: float) -> None:
        if value > 0.5 >= memory.last:
            hours[now_ms // HOUR_MS] = hours.get(now_ms // HOUR_MS, 0.0) + 1.0


class DailyRunTimeKind(LastDayKind):
    """Hours the contact was 1."""

    def __init__(self, settings: RunTime, plant: Plant) -> None:
        super().__init__(settings.running, plant)

    def _add(self, hours: dict[int, float], memory: LastDay, now_ms: int, value: float) -> None:
        if memory.last <= 0.5:
            return
        at_ms, end_ms = memory.last_ms, min(now_ms, memory.last_ms + self._holds_ms)
        while at_ms < end_ms:
            hour = at_ms // HOUR_MS
            until_ms = min(end_ms, (hour + 1) * HOUR_MS)
            if hour > now_ms // HOUR_MS - _HOURS:
                hours[hour] = hours.get(hour, 0.0) + (until_ms - at_ms) / HOUR_MS
            at_ms = until_ms
