"""How long the water in the tank will last, by what is usually drawn in the hours of the week to come."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median, quantiles
from zoneinfo import ZoneInfo

from monitor.rules.tank.books import hour_of_week, known, rate
from monitor.rules.tank.state import HOUR_MS, WEEK_H, Level, Pump

# So far ahead is looked: a weekend with a holiday on each side.
AHEAD_H = 120
# By how much a day's use strays from what is usual, until the tank's own days say it (own choice).
_LITTLE, _MUCH = 0.6, 1.6
_LEAST_DAYS = 10
_LEAST_RUNS = 5


@dataclass(frozen=True, slots=True)
class Lasts:
    """Hours until the tank is at its low mark: likely, soonest, latest. None: not within `AHEAD_H`."""

    likely_h: float | None
    soonest_h: float | None
    latest_h: float | None


def spread(level: Level) -> tuple[float, float]:
    """What a day draws, as a share of what was expected of it: one in ten less, one in ten more."""
    shares = [drawn / expected for drawn, expected in level.days if expected > 0.0]
    if len(shares) < _LEAST_DAYS:
        return _LITTLE, _MUCH
    tenths = quantiles(shares, n=10)
    return max(min(tenths[0], 0.9), 0.1), max(tenths[-1], 1.1)


def made_an_hour(level: Level, pump: Pump, zone: ZoneInfo) -> float | None:
    """What the RO makes in an hour, in the level's unit: risen while it ran, and usually drawn in the same
    time."""
    gains = []
    for run in pump.runs[-20:]:
        hours = (run.end_ms - run.begin_ms) / HOUR_MS
        if hours >= 0.5 and run.begin_level >= 0.0 and run.end_level >= 0.0:
            drawn = rate(level.use, hour_of_week((run.begin_ms + run.end_ms) // 2, zone))
            gains.append((run.end_level - run.begin_level) / hours + drawn)
    return median(gains) if len(gains) >= _LEAST_RUNS else None


def start_level(pump: Pump) -> float | None:
    """Where the RO usually starts."""
    starts = [run.begin_level for run in pump.runs[-20:] if run.begin_level >= 0.0]
    return median(starts) if len(starts) >= _LEAST_RUNS else None


def stop_level(pump: Pump) -> float | None:
    """Where it usually stops."""
    stops = [run.end_level for run in pump.runs[-20:] if run.end_level >= 0.0]
    return median(stops) if len(stops) >= _LEAST_RUNS else None


def lasts(level: Level, now: float, low: float, now_ms: int, zone: ZoneInfo, pump: Pump | None) -> Lasts:
    """How long it lasts with nothing made (`pump` None), or with the RO filling it as it usually does."""
    if not known(level.use):
        return Lasts(None, None, None)
    little, much = spread(level)
    week = [max(rate(level.use, hour), 0.0) for hour in range(WEEK_H)]
    fill = None if pump is None else _filling(level, pump, zone)
    return Lasts(
        *(_until([f * drawn for drawn in week], now, low, now_ms, zone, fill) for f in (1.0, much, little))
    )


@dataclass(frozen=True, slots=True)
class _Fill:
    """How the RO fills: from where to where, how much an hour, and whether it does so now."""

    start: float
    stop: float
    made: float
    on: bool


def _filling(level: Level, pump: Pump, zone: ZoneInfo) -> _Fill | None:
    start, stop, made = start_level(pump), stop_level(pump), made_an_hour(level, pump, zone)
    if start is None or stop is None or made is None:
        return None
    return _Fill(start, stop, made, bool(pump.on))


def _until(
    week: list[float], now: float, low: float, now_ms: int, zone: ZoneInfo, fill: _Fill | None
) -> float | None:
    filling = fill is not None and fill.on
    # The hour that has begun counts for what is left of it.
    at_ms, hours = now_ms, 0.0
    while hours < AHEAD_H:
        step_h = 1.0 - at_ms % HOUR_MS / HOUR_MS
        if fill is not None:
            filling = now < fill.start or (filling and now < fill.stop)
        fall = week[hour_of_week(at_ms, zone)] - (fill.made if fill is not None and filling else 0.0)
        if fall > 0.0 and now - fall * step_h <= low:
            return hours + max(now - low, 0.0) / fall
        now -= fall * step_h
        at_ms, hours = at_ms + round(step_h * HOUR_MS), hours + step_h
    return None
