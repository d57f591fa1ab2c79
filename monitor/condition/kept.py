"""A reading kept to be judged afterwards, as small as the state that holds it should be."""

from __future__ import annotations

from typing import NamedTuple

from monitor.readings import Bound, Level, Reading, Reason, Standing, Status


class Kept(NamedTuple):
    """A gated reading; its channel is that of the state it stands in."""

    time_ms: int
    lag_ms: int
    raw: float
    value: float
    reasons: int
    bound: int
    status: int
    own_time: bool


def kept(reading: Reading) -> Kept | None:
    """The reading to keep; None of one that says nothing."""
    if reading.level == Level.BAD and reading.bound == Bound.EXACT:
        return None
    return Kept(
        reading.time_ms,
        reading.arrival_ms - reading.time_ms,
        reading.raw,
        reading.value,
        int(reading.reasons),
        int(reading.bound),
        int(reading.status),
        reading.own_time,
    )


def judged_afterwards(channel: str, one: Kept, doubt: Reason = Reason.NONE) -> Reading:
    """The same reading, now one that is judged."""
    return Reading(
        channel=channel,
        time_ms=one.time_ms,
        arrival_ms=one.time_ms + one.lag_ms,
        raw=one.raw,
        value=one.value,
        reasons=Reason(one.reasons) | Reason.AFTERWARDS | doubt,
        bound=Bound(one.bound),
        standing=Standing.JUDGED,
        status=Status(one.status),
        own_time=one.own_time,
    )
