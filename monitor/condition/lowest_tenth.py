"""The lowest tenth of a day: what is judged where nothing at all has said when water ran.

Standing water is always the saltier, so the least salty tenth of a day's values is the nearest to the water
that was made, if any was. The middle of that tenth counts, so that a few dropouts do not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.condition.kept import Kept, judged_afterwards, kept
from monitor.frozen import replace
from monitor.readings import Reading, Reason

# One value, the least salty, of so long a time; two hours of them at least, or the day tells nothing.
_SLOT_MS = 600_000
_LEAST_SLOTS = 12
_TENTH = 0.1
_KEPT = 15  # a tenth of the slots of a day, and one
_LEAST_OF_A_TENTH = 3
_TOLD = 8


@dataclass(frozen=True, slots=True)
class DayState:
    """The day so far: its least salty values, one of a slot."""

    number: int = 0  # proleptic ordinal of the local date
    slots: int = 0
    slot: int = 0
    best: Kept | None = None  # of the slot under way
    lowest: tuple[Kept, ...] = ()  # of those before, least salty first
    judged: bool = False  # something of this day was judged when it came


def on_reading(
    state: DayState, day: int, reading: Reading, salt: Callable[[float], float]
) -> tuple[DayState, tuple[Kept, ...]]:
    """The day with one more reading, and what the day before, if it has just ended, is judged by.

    `salt` orders values: the higher, the more is dissolved.
    """
    ended: tuple[Kept, ...] = ()
    if day != state.number:
        ended, state = _ended(state, salt), DayState(day)
    found = kept(reading)
    if found is None or reading.reasons & Reason.JUMP:
        return state, ended
    slot = reading.time_ms // _SLOT_MS
    if slot != state.slot:
        state = replace(_closed(state, salt), slot=slot, slots=state.slots + 1, best=found)
    elif state.best is None or salt(found.value) < salt(state.best.value):
        state = replace(state, best=found)
    return state, ended


def readings_of(channel: str, ended: tuple[Kept, ...]) -> list[Reading]:
    """What a day is judged by, as readings."""
    return [judged_afterwards(channel, one, Reason.GATE_UNKNOWN) for one in ended]


def _closed(state: DayState, salt: Callable[[float], float]) -> DayState:
    if state.best is None:
        return state
    lowest = sorted((*state.lowest, state.best), key=lambda one: salt(one.value))[:_KEPT]
    return replace(state, lowest=tuple(lowest), best=None)


def _ended(state: DayState, salt: Callable[[float], float]) -> tuple[Kept, ...]:
    state = _closed(state, salt)
    if state.judged or state.slots < _LEAST_SLOTS:
        return ()
    tenth = state.lowest[: max(_LEAST_OF_A_TENTH, round(_TENTH * state.slots))]
    aside = len(tenth) // 4
    return tuple(sorted(tenth[aside : len(tenth) - aside][:_TOLD]))
