"""A flow meter that stands at zero while water is made: what its neighbours say against it.

Three witnesses: a contact that says the plant runs, the level of the tank that the water fills, and probes
that see fresh water come. Each has to say it for long or more than once, since a valve takes its time, a
level sways and a flow that is read seldom misses the beginning of a run. The meter is believed again when two
of its values in a row show flow.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.frozen import replace
from monitor.plant.model import Channel

# All of these are our own choice.
_SLACK_MS = 60_000  # after the contact closes: valves open, pipes fill
_RAN_MS = 300_000  # so long in all must the contact have said it
_TIMES = 2  # between so many pairs of zeros
_LONGEST_STEP_MS = 900_000
_RISES = 2
_RISE_WITHIN_MS = 3_600_000
_STARTS = 3
_STARTS_APART_MS = 600_000
_ALIVE = 2


@dataclass(frozen=True, slots=True)
class MeterState:
    """What was seen since the meter last showed flow."""

    seen_ms: int = 0  # the last value
    zero_ms: int = 0  # the last that said nothing flows; 0 while water is seen to flow
    alive: int = 0  # values in a row that showed flow, since the last zero
    contact_ms: int = 0  # the last value of the contact,
    contact_since_ms: int | None = None  # and since when it says that the plant runs
    ran_ms: int = 0
    times: int = 0
    low: float | None = None  # of the tank, not long ago
    low_ms: int = 0
    rises: int = 0
    starts: int = 0
    start_ms: int = 0
    contradicted: bool = False
    course_of: str = ""  # the probe whose course counts in the meter's place


def on_flow(state: MeterState, time_ms: int, flows: bool) -> MeterState:
    """After a value of the meter itself."""
    if flows:
        alive = state.alive + 1
        if state.zero_ms and alive < _ALIVE:
            return replace(state, seen_ms=time_ms, alive=alive)
        return MeterState(
            seen_ms=time_ms,
            alive=_ALIVE,
            contact_ms=state.contact_ms,
            contact_since_ms=state.contact_since_ms,
        )
    added_ms = 0
    since_ms = state.contact_since_ms
    if since_ms is not None and state.zero_ms >= since_ms and not state.alive:
        until_ms = min(time_ms, state.contact_ms + _LONGEST_STEP_MS)
        added_ms = min(max(until_ms - max(state.zero_ms, since_ms + _SLACK_MS), 0), _LONGEST_STEP_MS)
    ran_ms, times = state.ran_ms + added_ms, state.times + (added_ms > 0)
    return replace(
        state,
        seen_ms=time_ms,
        zero_ms=time_ms,
        alive=0,
        ran_ms=ran_ms,
        times=times,
        contradicted=state.contradicted or (ran_ms >= _RAN_MS and times >= _TIMES),
    )


def on_contact(state: MeterState, time_ms: int, runs: bool) -> MeterState:
    """After a value of the contact that is 1 while this water is made."""
    since_ms = state.contact_since_ms
    if not runs:
        since_ms = None
    elif since_ms is None or time_ms < state.contact_ms:  # just now, or the clock was set back
        since_ms = time_ms
    return replace(state, contact_ms=time_ms, contact_since_ms=since_ms)


def on_tank(channel: Channel, state: MeterState, time_ms: int, level: float) -> MeterState:
    """After a level of the tank that the water fills; only while the meter says that nothing flows."""
    if not state.zero_ms:
        return state
    if state.low is None or level < state.low or not 0 <= time_ms - state.low_ms <= _RISE_WITHIN_MS:
        return replace(state, low=level, low_ms=time_ms)
    if level - state.low < _rise(channel, level) or state.zero_ms < state.low_ms:
        return state
    rises = state.rises + 1
    return replace(
        state,
        low=level,
        low_ms=time_ms,
        rises=rises,
        contradicted=state.contradicted or rises >= _RISES,
    )


def on_start(state: MeterState, time_ms: int) -> MeterState:
    """After a probe has seen fresh water come while the meter says that nothing flows."""
    if not state.zero_ms or abs(time_ms - state.start_ms) < _STARTS_APART_MS:
        return state
    starts = state.starts + 1
    return replace(
        state, starts=starts, start_ms=time_ms, contradicted=state.contradicted or starts >= _STARTS
    )


def _rise(tank: Channel, level: float) -> float:
    """A change of level that is none of waves and warmth."""
    low, high = tank.canonical_range
    accuracy = tank.accuracy.at(level, tank.quantity, high)
    return max(10.0 * tank.canonical_resolution, 2.0 * accuracy, 0.01 * (high - low))
