"""Contacts: which way round they are wired, and how long a change must stand before it counts."""

from __future__ import annotations

from monitor.condition.flags import ShapeState
from monitor.frozen import replace
from monitor.plant.model import Channel
from monitor.plant.supervision import Supervision
from monitor.readings import Reason


def supervised(supervision: Supervision, arrived: float) -> tuple[float, Reason]:
    """1 for a closed contact, 0 for an open one; where the wire is at fault neither is known."""
    state = supervision.state(arrived)
    return (0.0, Reason.DEVICE_FAULT) if state is None else (state, Reason.NONE)


def so(channel: Channel, closed: float) -> float:
    """1 when the thing is so (the pump runs, the floor is wet), from 1 for a closed contact.

    A contact that is normally closed opens to tell it, and also when its wire breaks: the safe side.
    """
    return 1.0 - closed if channel.normally == "closed" else closed


def debounced(
    channel: Channel, state: ShapeState, time_ms: int, value: float, stale_after_ms: int
) -> tuple[ShapeState, float, Reason]:
    """The value that counts. A change counts once it has been seen to stand for `debounce`.

    Until then the old value holds and is uncertain. The change is seen to stand by a later value that says
    the same, so a contact has to repeat itself, as `expected_interval` says it does. After a long silence
    the first value counts at once.
    """
    if value != state.same_raw:
        state = replace(state, same_raw=value, same_since_ms=time_ms)
    fresh = time_ms - state.last_ms <= stale_after_ms
    state = replace(state, last_ms=time_ms)
    stood = time_ms - state.same_since_ms >= (channel.debounce or 0)
    if state.settled is None or not fresh or stood or value == state.settled:
        return replace(state, settled=value), value, Reason.NONE
    return state, state.settled, Reason.JUMP
