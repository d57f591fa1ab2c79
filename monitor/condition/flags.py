"""Quality flags in the sense of QARTOD: range, jump, flat line. Limits come from the instrument itself."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.condition.current_loop import span
from monitor.frozen import replace
from monitor.plant.model import Channel
from monitor.plant.quantities import QUANTITIES
from monitor.readings import Bound, Reason, Status

# Counts move in steps by nature.
_STEPPING = frozenset({"volume"})
# Values that end at their physical end: standing at it is no sign of an instrument at its stop.
_CLOSED_RANGE = frozenset({"contact", "fraction"})


def range_flag(channel: Channel, raw: float, canonical: float, status: Status) -> tuple[Reason, Bound]:
    """Beyond the instrument's range the value is bad, and still says "at least" or "at most".

    A meter at its stop shows the end of its range, so the upper end itself counts as over range; a meter
    that switches ranges by itself may say so anywhere.
    """
    known = QUANTITIES[channel.quantity]
    if not known.low - channel.canonical_resolution <= canonical <= known.high:
        return Reason.IMPLAUSIBLE, Bound.EXACT
    low, high = span(channel)
    at_its_stop = raw == high and channel.quantity not in _CLOSED_RANGE and channel.counter is None
    if raw > high or at_its_stop or status & Status.OVER_RANGE:
        return Reason.OVER_RANGE, Bound.AT_LEAST
    if raw < low or status & Status.UNDER_RANGE:
        return Reason.UNDER_RANGE, Bound.AT_MOST
    return Reason.NONE, Bound.EXACT


@dataclass(frozen=True, slots=True)
class ShapeState:
    """What jump and flat line remember of a channel."""

    settled: float | None = None  # the last value taken as true
    pending: float | None = None  # a step that waits for its confirmation
    last_ms: int = 0
    same_raw: float | None = None
    same_since_ms: int = 0


def shape_flags(
    channel: Channel, state: ShapeState, time_ms: int, raw: float, value: float, stale_after_ms: int
) -> tuple[ShapeState, Reason]:
    """A far step is uncertain until the next value confirms it (or shows it was a spike); a line that
    stays flat longer than `flat_after` is uncertain."""
    if channel.quantity in _STEPPING:
        return replace(state, last_ms=time_ms), Reason.NONE
    same_since_ms = state.same_since_ms if raw == state.same_raw else time_ms
    reasons = Reason.FLAT if time_ms - same_since_ms > channel.flat_after else Reason.NONE
    settled, pending = state.settled, state.pending
    known_before = settled is not None and time_ms - state.last_ms <= stale_after_ms
    near_settled = settled is not None and abs(value - settled) <= jump_limit(channel, settled)
    confirms = pending is not None and abs(value - pending) <= jump_limit(channel, pending)
    if not known_before or near_settled or confirms:
        return ShapeState(value, None, time_ms, raw, same_since_ms), reasons
    return ShapeState(settled, value, time_ms, raw, same_since_ms), reasons | Reason.JUMP


def jump_limit(channel: Channel, at: float) -> float:
    """The largest step between two values that needs no confirmation, in the canonical unit.

    The setting `jump`, or else ten steps of resolution, three times the accuracy, or a quarter of the
    value, whichever is largest (our own choice: wide, since a flag only asks for one more value).
    """
    if channel.jump is not None:
        return channel.jump.difference(channel.quantity)
    accuracy = channel.accuracy.at(at, channel.quantity, channel.canonical_range[1])
    return max(10 * channel.canonical_resolution, 3 * accuracy, 0.25 * abs(at))
