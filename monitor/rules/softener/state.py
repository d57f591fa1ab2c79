"""What the rule `softener` remembers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.frozen import replace
from monitor.readings import Reading
from monitor.rules.counted import Counted
from monitor.rules.softener.salt import Salt, Stands
from monitor.rules.tested import Tested

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
# A valve that turns through its positions makes one regeneration of several pulses.
_APART_MS = 4 * HOUR_MS
_KEPT = 20
_FLOW_DAYS = 2.0
# A regeneration at another hour than usual by more than this: more than the change to summer time.
_OTHER_HOUR, _ALIKE_HOUR = 2.0, 1.0
_LEAST_HOURS = 4


@dataclass(frozen=True, slots=True)
class Regenerated:
    """One regeneration: when, and how many litres were counted by then; None where none are counted."""

    time_ms: int
    litres: float | None
    hour: float  # of the shop's day


@dataclass(frozen=True, slots=True)
class Filled:
    """Salt that somebody logged."""

    time_ms: int
    litres: float | None
    kg: float


@dataclass(frozen=True, slots=True)
class Flow:
    """Normalised flow of the RO behind: now, and at the last test that passed."""

    now: float | None = None
    time_ms: int = 0
    at_pass: float | None = None


@dataclass(frozen=True, slots=True)
class State:
    """What has run, what was done, what was tested."""

    counted: Counted = field(default_factory=Counted)
    seen: tuple[Regenerated, ...] = ()  # by the contact
    contact_ms: int = 0
    regenerating: bool = False
    logged: tuple[Regenerated, ...] = ()
    filled: tuple[Filled, ...] = ()
    salt: Salt = field(default_factory=Salt)
    stands: Stands | None = None
    tested: Tested = field(default_factory=Tested)
    feed_mg_l: float | None = None
    flow: Flow = field(default_factory=Flow)
    listening_ms: int = 0
    judged_ms: int = 0

    version = 1


def on_contact(state: State, reading: Reading, hour: float) -> State:
    """The state after a value of the regeneration contact: its begin is what counts."""
    on = reading.value > 0.5
    begins = on and not state.regenerating
    last = state.seen[-1].time_ms if state.seen else 0
    if begins and reading.time_ms - last > _APART_MS and state.contact_ms:
        one = Regenerated(reading.time_ms, _litres(state), hour)
        state = replace(state, seen=(*state.seen, one)[-_KEPT:])
    return replace(state, contact_ms=reading.time_ms, regenerating=on)


def _litres(state: State) -> float | None:
    return state.counted.litres if state.counted.time_ms else None


def on_flow(flow: Flow, reading: Reading) -> Flow:
    """The flow averaged over about two days of readings."""
    if flow.now is None:
        return replace(flow, now=reading.value, time_ms=reading.time_ms)
    gone_d = max(reading.time_ms - flow.time_ms, 0) / DAY_MS
    weight = 1.0 - math.exp(-min(gone_d, 0.1) / _FLOW_DAYS)
    return replace(flow, now=flow.now + weight * (reading.value - flow.now), time_ms=reading.time_ms)


def by_days(filled: Sequence[Filled]) -> list[Filled]:
    """Fills of one day taken together; those of before the litres were counted tell nothing."""
    fills: list[Filled] = []
    for fill in filled:
        if fills and fill.time_ms - fills[-1].time_ms < DAY_MS:
            fills[-1] = replace(fills[-1], kg=fills[-1].kg + fill.kg)
        elif fill.litres is not None:
            fills.append(fill)
    return fills


def other_hour(seen: Sequence[Regenerated], by_hand_ms: Sequence[int]) -> tuple[float, float] | None:
    """The usual hour and the new one, when the last two regenerations began at another than those before.

    One that somebody logged was started by hand and says nothing of the clock.
    """
    own = [r.hour for r in seen if all(abs(r.time_ms - at) > _APART_MS for at in by_hand_ms)]
    if len(own) < _LEAST_HOURS + 2:
        return None
    usual, (early, late) = _mean_hour(own[:-2]), own[-2:]
    if _apart(early, late) > _ALIKE_HOUR or min(_apart(usual, h) for h in (early, late)) <= _OTHER_HOUR:
        return None
    return usual, late


def _mean_hour(hours: Sequence[float]) -> float:
    east = sum(math.cos(math.pi * hour / 12.0) for hour in hours)
    north = sum(math.sin(math.pi * hour / 12.0) for hour in hours)
    return (12.0 * math.atan2(north, east) / math.pi) % 24.0


def _apart(one: float, other: float) -> float:
    gap = abs(one - other) % 24.0
    return min(gap, 24.0 - gap)
