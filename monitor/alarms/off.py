"""Stages that are off by their contact: what is measured right after them is suppressed meanwhile."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import Level, Reading

# A stage that has just been started is given this long before what is measured there is judged again, and a
# contact that says nothing for so long, or for three times its interval, no longer says that it is off. Both
# our own convention.
_SETTLES_MS = 5 * 60_000
_UNHEARD_MS = 10 * 60_000


@dataclass(frozen=True, slots=True)
class Off:
    """A stage that is off by its contact, or was until a moment ago."""

    heard_ms: int  # when its contact spoke last
    on_ms: int = 0  # since when it runs again


class Stages:
    """The stages that have a contact saying whether they run."""

    def __init__(self, plant: Plant) -> None:
        self._contact = {stage.id: stage.running for stage in plant.stage if stage.running is not None}
        self.contacts = frozenset(self._contact.values())
        self._interval_ms = {contact: plant.interval_of(contact) for contact in self.contacts}
        after = {name: plant.point_of(name) for name in plant.channels} if self._contact else {}
        self._measured = {
            stage: frozenset(
                name for name, point in after.items() if point is not None and point.after == stage
            )
            for stage in self._contact
        }

    def heard(self, off: Mapping[str, Off], reading: Reading) -> Mapping[str, Off]:
        """The stages that are off, after a reading of a contact; a bad one says nothing."""
        if reading.level == Level.BAD:
            return off
        for stage in (name for name, contact in self._contact.items() if contact == reading.channel):
            runs, was = reading.value > 0.5, off.get(stage)
            if was is None and not runs:
                off = {**off, stage: Off(reading.time_ms)}
            elif was is not None:
                on_ms = (was.on_ms or reading.time_ms) if runs else 0
                off = {**off, stage: replace(was, heard_ms=reading.time_ms, on_ms=on_ms)}
        return off

    def still(self, off: Mapping[str, Off], now_ms: int) -> Mapping[str, Off]:
        """Those that are still off."""
        over = {stage for stage, one in off.items() if self._is_over(stage, one, now_ms)}
        return {stage: one for stage, one in off.items() if stage not in over} if over else off

    def _is_over(self, stage: str, one: Off, now_ms: int) -> bool:
        contact = self._contact.get(stage)
        if contact is None:  # the site file no longer says so
            return True
        if one.on_ms:
            return now_ms - one.on_ms >= _SETTLES_MS
        return abs(now_ms - one.heard_ms) > max(_UNHEARD_MS, 3 * self._interval_ms[contact])

    def off_of(self, off: Iterable[str], channels: frozenset[str]) -> str | None:
        """The stage that is off and right after which one of these channels measures."""
        return next((s for s in off if not channels.isdisjoint(self._measured.get(s, frozenset()))), None)
