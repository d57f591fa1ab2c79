"""What level, floats and the running of the RO mean: which conditions hold now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from monitor.rules.tank import leak
from monitor.rules.tank.books import hour_of_week, known, mean_rate, rate
from monitor.rules.tank.forecast import Lasts, lasts, made_an_hour, start_level, stop_level
from monitor.rules.tank.state import HOUR_MS, Closed, Level, Pump, State

MINUTE_MS = 60_000
# A float bounces; and an overflow or an empty tank is worth five minutes (own choice).
_FLOAT_MS = 5 * MINUTE_MS
# Float and level that contradict each other for so long.
ODD_MS = 30 * MINUTE_MS
# While it is not known how long the RO usually runs: a whole day without a stop fills no tank of a small shop
# (common practice, no source).
_LONGEST_RUN_MS = 24 * HOUR_MS
_LEARNED_RUNS, _LEARNED_MS = 10, 10 * 24 * HOUR_MS
# Longer than ever by half, and by an hour.
_LONGER, _LONGER_MS = 1.5, HOUR_MS
# It runs, and the level gains less than this share of what it usually makes, for so long.
_MAKES_NOTHING, _NOTHING_MS = 0.25, 2 * HOUR_MS
# What was told stays told for so much of the way back.
_DEADBAND = 0.02


@dataclass(frozen=True, slots=True)
class Unit:
    """What does not change while the rule is configured so."""

    zone: ZoneInfo
    has_level: bool
    has_contact: bool
    low: float
    high: float | None
    resolution: float
    trusted_ms: int  # a level older than this is not known
    contact_ms: int  # and a contact
    start_within_ms: int
    warn_h: float


class Now:
    """What is known at a moment; None where there is no such instrument, or none that is heard."""

    def __init__(self, unit: Unit, state: State, at_ms: int) -> None:
        level, pump = state.level, state.pump
        fresh = unit.has_level and level.values and at_ms - level.heard_ms <= unit.trusted_ms
        self._unit, self._state = unit, state
        self.at_ms, self.pump = at_ms, pump
        self.level = sum(level.values[-3:]) / len(level.values[-3:]) if fresh else None
        self.running = pump.on if pump.heard_ms and at_ms - pump.heard_ms <= unit.contact_ms else None
        self.start, self.stop = start_level(pump), stop_level(pump)
        self.margin = _margin(unit, pump) if self.level is not None else 0.0

    @cached_property
    def standing(self) -> Lasts:
        """How long the water lasts with nothing made. Worked out when it is asked for: it takes a while."""
        return self._lasts(None)

    @cached_property
    def filled(self) -> Lasts:
        """How long it lasts with the RO filling as it usually does."""
        return self._lasts(self.pump) if self.start is not None else self.standing

    def _lasts(self, pump: Pump | None) -> Lasts:
        if self.level is None:
            return Lasts(None, None, None)
        unit = self._unit
        return lasts(self._state.level, self.level, unit.low, self.at_ms, unit.zone, pump)


def _margin(unit: Unit, pump: Pump) -> float:
    """How far a start or stop strays by itself: the float's scatter, and the sensor's last digits."""
    starts = sorted(run.begin_level for run in pump.runs[-20:] if run.begin_level >= 0.0)
    n = len(starts)
    # Three times the middle half's span: one start from an empty tank says nothing of the float.
    scatter = 3.0 * (starts[(3 * n) // 4] - starts[n // 4]) if n >= 4 else 0.0
    return max(3.0 * unit.resolution, scatter)


def low(unit: Unit, state: State, now: Now) -> dict[str, Any] | None:
    """Too low now, or soon though the RO does what it usually does."""
    if _long(state.floats.get("low_float"), now.at_ms, _FLOAT_MS):
        return {"check": "low", "by": "float"}
    if now.level is None:
        return None
    held = "low" in state.told
    top = unit.low + (_DEADBAND * abs(unit.low) + 2.0 * unit.resolution) * held
    if now.level <= top:
        return {"check": "low", "by": "level"}
    # Over its start the RO has not been called yet, and rising it does its work.
    if now.start is None or now.level >= now.start or not _falling(state.level):
        return None
    likely = now.filled.likely_h
    soon = likely is not None and likely <= unit.warn_h * (1.25 if held else 1.0)
    return {"check": "low", "by": "forecast"} if soon else None


def _falling(level: Level) -> bool:
    return len(level.marks) >= 2 and level.marks[-1].level < level.marks[-2].level


def high(unit: Unit, state: State, now: Now) -> dict[str, Any] | None:
    """Too high, or past where the RO usually stops and not stopping."""
    if _long(state.floats.get("high_float"), now.at_ms, _FLOAT_MS):
        return {"check": "high", "by": "float"}
    if now.level is None:
        return None
    held = "high" in state.told
    if (
        unit.high is not None
        and now.level >= unit.high - (_DEADBAND * abs(unit.high) + 2.0 * unit.resolution) * held
    ):
        return {"check": "high", "by": "level"}
    beyond = now.stop is not None and now.level > now.stop + max(now.margin, 0.03 * now.stop) * (
        0.5 if held else 1.0
    )
    return {"check": "high", "by": "stop"} if beyond and (now.running or held) else None


def not_made(unit: Unit, state: State, now: Now) -> dict[str, Any] | None:
    """The tank calls, and the RO stands; or it runs, and no water comes."""
    if state.below_ms and now.at_ms - state.below_ms >= unit.start_within_ms and now.running is not True:
        return {"check": "not-made", "by": "level", "calling_since_ms": state.below_ms}
    low_float = state.floats.get("low_float")
    long = _long(low_float, now.at_ms, unit.start_within_ms)
    if unit.has_contact and now.running is False and now.level is None and long:
        assert low_float is not None
        return {"check": "not-made", "by": "float", "calling_since_ms": low_float.since_ms}
    if _runs_dry(unit, state, now):
        return {"check": "not-made", "by": "nothing comes", "calling_since_ms": now.pump.since_ms}
    if unit.has_level or not unit.has_contact or now.running is not False:
        return None
    gaps, pump = now.pump.gaps, now.pump
    if len(gaps) < _LEARNED_RUNS or now.at_ms - pump.first_ms < _LEARNED_MS:
        return None
    owed = _LONGER * max(gaps) + 0.5
    if pump.owed_h <= owed:
        return None
    return {"check": "not-made", "by": "contact", "calling_since_ms": pump.since_ms, "owed_h": pump.owed_h}


def calls(unit: Unit, state: State, now: Now) -> bool:
    """The tank is lower than the RO lets it fall, and the RO stands."""
    if now.level is None or now.running is True:
        return False
    if unit.has_contact:
        return now.start is not None and now.level < now.start - now.margin
    # Without a contact a heavy draw hides a running RO: only what is lower than it ever was in a month
    # counts.
    lows = state.level.lows if state.below_ms else state.level.lows[:-1]
    rising = len(state.level.marks) >= 2 and state.level.marks[-1].ran > 0.0
    return len(lows) >= 10 and not rising and now.level < min(lows) - now.margin


def _runs_dry(unit: Unit, state: State, now: Now) -> bool:
    if not unit.has_contact or now.running is not True or now.at_ms - now.pump.since_ms < _NOTHING_MS:
        return False
    within = [mark for mark in state.level.marks[-10:] if mark.at_ms >= now.at_ms - _NOTHING_MS]
    hours = (within[-1].at_ms - within[0].at_ms) / HOUR_MS if within else 0.0
    made = made_an_hour(state.level, now.pump, unit.zone)
    if made is None or hours * HOUR_MS < _NOTHING_MS - 2 * 15 * MINUTE_MS:
        return False
    drawn = rate(state.level.use, hour_of_week(within[-1].at_ms, unit.zone))
    gained = (within[-1].level - within[0].level) / hours + drawn
    # A fall much faster than is usually drawn is a heavy draw, whatever is made.
    drawn_hard = gained < -(1.5 * drawn + 0.1 * made)
    full = now.stop is not None and within[-1].level >= now.stop
    return gained < _MAKES_NOTHING * made and not drawn_hard and not full


def long_run(unit: Unit, state: State, now: Now) -> dict[str, Any] | None:
    """It runs longer than it ever did."""
    if now.running is not True:
        return None
    runs, gone_ms = now.pump.runs, now.at_ms - now.pump.since_ms
    longest = max((run.end_ms - run.begin_ms for run in runs), default=0)
    learned = len(runs) >= _LEARNED_RUNS and now.at_ms - now.pump.first_ms >= _LEARNED_MS
    most = max(_LONGER * longest, longest + _LONGER_MS) if learned else _LONGEST_RUN_MS
    # After a stop longer than ever it has more to fill: the hours that it usually would have run.
    gaps = now.pump.gaps
    if len(gaps) > 1 and gaps[-1] > max(gaps[:-1]):
        most = max(most, longest + _LONGER * gaps[-1] * HOUR_MS)
    if gone_ms <= most or _fills(unit, state, now):
        return None
    return {"check": "long-run", "by": "contact" if unit.has_contact else "level", "longest_ms": longest}


def _fills(unit: Unit, state: State, now: Now) -> bool:
    """The level rises as it usually does while the RO runs: a long way up, and nothing else."""
    made, marks = made_an_hour(state.level, now.pump, unit.zone), state.level.marks[-5:]
    if now.level is None or made is None or len(marks) < 5 or (now.stop is not None and now.level > now.stop):
        return False
    hours = (marks[-1].at_ms - marks[0].at_ms) / HOUR_MS
    return marks[-1].level - marks[0].level >= 0.5 * made * hours


def leaking(unit: Unit, state: State, now: Now) -> dict[str, Any] | None:
    """It falls while nobody draws: the least fall of the day, or four even hours at a time when nobody
    does."""
    if now.level is None or not state.level.marks:
        return None
    if state.quiet.holds:
        usual, sigma = leak.of(state.quiet, unit.resolution)
        beyond = (state.quiet.last or 0.0) - usual > sigma and len(state.quiet.falls) >= leak.LEARNED_DAYS
        found = {"check": "leak", "by": "least fall" if beyond else "never rests"}
        return found | {"fall_h": state.quiet.last, "usual_fall_h": usual, "sigma_h": sigma}
    hours = 3
    steady = leak.steady_fall(state.level.marks, hours, unit.resolution)
    if steady is None or not known(state.level.use):
        return None
    _, sigma = leak.of(state.quiet, unit.resolution)
    usually = [rate(state.level.use, hour_of_week(now.at_ms - k * HOUR_MS, unit.zone)) for k in range(hours)]
    often = mean_rate(state.level.use)
    if max(usually) > 0.25 * often or steady < max(6.0 * sigma + max(usually), 0.5 * often):
        return None
    return {
        "check": "leak",
        "by": "steady fall",
        "fall_h": steady,
        "usual_fall_h": max(usually),
        "sigma_h": sigma,
    }


def odd_float(unit: Unit, state: State, now: Now) -> bool:
    """Float and level, or the two floats, cannot both be right."""
    low_float, high_float = state.floats.get("low_float"), state.floats.get("high_float")
    if low_float is not None and high_float is not None and low_float.on and high_float.on:
        return True
    if now.level is None:
        return False
    span = max(10.0 * unit.resolution, 0.25 * ((now.start or unit.low) - unit.low))
    if low_float is not None and (
        (low_float.on and now.start is not None and now.level > now.start)
        or (not low_float.on and now.level < unit.low - span)
    ):
        return True
    return high_float is not None and high_float.on and now.start is not None and now.level < now.start


def _long(closed: Closed | None, at_ms: int, long_ms: int) -> bool:
    return closed is not None and closed.on and at_ms - closed.since_ms >= long_ms


CONDITIONS: dict[str, Callable[[Unit, State, Now], dict[str, Any] | None]] = {
    "low": low,
    "high": high,
    "not-made": not_made,
    "leak": leaking,
    "long-run": long_run,
}
# What a condition is called when it is told: the words of the trade.
NAMES = {
    "low": "low-level",
    "high": "high-level",
    "not-made": "not-made",
    "leak": "tank-leak",
    "long-run": "long-run",
    "short-cycling": "short-cycling",
    "float": "float",
}
# One voice: while the first holds, the others are its consequences and are not told.
COVERS = {
    "not-made": ("long-run",),
    "high": ("long-run",),
    "leak": ("long-run",),
    "float": ("low", "high", "not-made"),
}
