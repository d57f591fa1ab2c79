"""What a value's own course says of when water runs, where no meter and no contact does.

Standing water grows saltier; fresh water washes it away. So a quick fall is the beginning of a run, and a
value that climbs well above what the run has settled at is its end. It is a guess, and marked as one: a value
that does not tell standing from running water (a tap's) never shows a beginning.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.frozen import replace
from monitor.plant.model import Channel
from monitor.readings import Bound, Level, Reading, Reason

# All of these are our own choice, after what permeate and deionised water do in small plants.
_FALL = 0.7  # of the highest value of the last half hour: fresh water has come
_WITHIN_MS = 1_800_000
_CLIMB = 1.25  # of what the run has settled at: the water stands
_FOLLOWS_MS = 6 * 3_600_000  # the settled level follows what changes more slowly than this


@dataclass(frozen=True, slots=True)
class CourseState:
    """Where the value has been."""

    top: float = 0.0  # the highest of late, while water does not run
    top_ms: int = 0
    level: float | None = None  # what the run has settled at; None while none is seen
    since_ms: int = 0  # when it began, or when it ended
    last_ms: int = 0
    climbing: bool = False  # the last value stood above the level

    @property
    def runs(self) -> bool | None:
        """Whether water runs; None before any run was seen."""
        if self.level is not None:
            return True
        return False if self.since_ms else None


def saltiness(channel: Channel, reading: Reading) -> float | None:
    """A value that is the higher the more is dissolved; None where the reading tells none."""
    if reading.level == Level.BAD and reading.bound == Bound.EXACT:
        return None
    if reading.reasons & Reason.JUMP:
        return None
    return 1.0 / max(reading.value, 1e-3) if channel.quantity == "resistivity" else reading.value


def on_value(channel: Channel, state: CourseState, time_ms: int, value: float) -> tuple[CourseState, bool]:
    """The course after a value, and whether a run has just been seen to begin."""
    if time_ms < state.last_ms:  # the clock was set back
        state = CourseState()
    if state.level is None:
        return _standing(channel, state, time_ms, value)
    return _running(channel, state, time_ms, value), False


def _standing(channel: Channel, state: CourseState, time_ms: int, value: float) -> tuple[CourseState, bool]:
    state = replace(state, last_ms=time_ms)
    if value >= state.top or time_ms - state.top_ms > _WITHIN_MS:
        return replace(state, top=value, top_ms=time_ms), False
    fell = state.top - value
    # A probe in air falls to nothing.
    if value > 0.0 and value <= _FALL * state.top and fell >= _unrest(channel, value):
        return replace(state, level=value, since_ms=time_ms, climbing=False), True
    return state, False


def _running(channel: Channel, state: CourseState, time_ms: int, value: float) -> CourseState:
    assert state.level is not None
    if value > _CLIMB * state.level and value - state.level > _unrest(channel, value):
        if not state.climbing:  # one alone is a stray
            return replace(state, climbing=True, last_ms=time_ms)
        return CourseState(value, time_ms, None, time_ms, time_ms)
    share = min(1.0, (time_ms - state.last_ms) / _FOLLOWS_MS)
    level = min(value, state.level + share * (value - state.level))
    return replace(state, level=level, last_ms=time_ms, climbing=False)


def _unrest(channel: Channel, value: float) -> float:
    """A change no larger than this is the instrument's own, in the terms of `saltiness`."""
    if channel.quantity == "resistivity":
        return 0.05 * value
    accuracy = channel.accuracy.at(value, channel.quantity, channel.canonical_range[1])
    return max(5.0 * channel.canonical_resolution, accuracy)
