"""Pressure lost in a filter, a value a day: when clean, now, and when it will be too much.

Used by `filter` alone. A filter loses pressure only while water runs. A gate or litres tell when that is, and
values well under the day's highest are those of standing water even so. Where neither tells, a day that stays
far under what a clean filter loses is one on which nothing ran.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.frozen import replace

_SAMPLE_MS = 15 * 60_000
_MOST_SAMPLES, _LEAST_SAMPLES = 64, 6
# Standing water, or a trickle: under this share of the day's highest.
_RUNS = 0.5
# No filter loses less while water runs through it.
_LEAST_BAR = 0.02
_DAYS_KEPT, _CLEAN_DAYS, _SLOPE_DAYS = 60, 3, 14
# Less than half of what it lost when clean: water passes it by (own choice).
FALLEN = 0.5
# Where no limit is given: so much more than when clean (10 psi, common practice).
MORE_BAR = 0.7
_BACK = 0.9


@dataclass(frozen=True, slots=True)
class Day:
    """The median drop of one day, bar."""

    number: int  # ordinal
    bar: float


@dataclass(frozen=True, slots=True)
class Drop:
    """The days since the last change, and today's samples."""

    today: int = 0
    samples: tuple[float, ...] = ()
    sample_ms: int = 0
    days: tuple[Day, ...] = ()
    clean_bar: float | None = None
    clogged: bool = False
    fallen: bool = False


def begun_anew(drop: Drop) -> Drop:
    """After a change: what it loses when clean is learned anew."""
    return Drop(today=drop.today, sample_ms=drop.sample_ms)


def on_drop(
    drop: Drop, time_ms: int, day: int, bar: float, *, by_eye: bool = False, runs: bool | None = None
) -> Drop:
    """The days after one more value; one read by a person is of running water and a day's worth.

    `runs`: whether water runs; None where nothing tells.
    """
    if by_eye:
        return _closed(replace(drop, today=day, samples=()), Day(day, bar))
    if day != drop.today:
        median = _median_running(drop.samples)
        if median is not None and not (runs is None and _stood(drop, median)):
            drop = _closed(drop, Day(drop.today, median))
        drop = replace(drop, today=day, samples=(), sample_ms=0)
    if runs is False or time_ms - drop.sample_ms < _SAMPLE_MS:
        return drop
    return replace(drop, samples=(*drop.samples, bar)[-_MOST_SAMPLES:], sample_ms=time_ms)


def _closed(drop: Drop, day: Day) -> Drop:
    days = (*(one for one in drop.days if one.number != day.number), day)[-_DAYS_KEPT:]
    clean = drop.clean_bar
    if clean is None and len(days) >= _CLEAN_DAYS:
        clean = sorted(one.bar for one in days[:_CLEAN_DAYS])[_CLEAN_DAYS // 2]
    return replace(drop, days=days, clean_bar=clean)


def _median_running(samples: tuple[float, ...]) -> float | None:
    if not samples:
        return None
    runs = sorted(bar for bar in samples if bar >= _RUNS * max(samples) and bar > 0.0)
    return runs[len(runs) // 2] if len(runs) >= _LEAST_SAMPLES else None


def _stood(drop: Drop, bar: float) -> bool:
    return bar < max(FALLEN * (drop.clean_bar or 0.0), _LEAST_BAR)


def now_bar(drop: Drop) -> float | None:
    """What it loses now: today's median once there is one, else that of the last day."""
    today = _median_running(drop.samples)
    if today is not None:
        return today
    return drop.days[-1].bar if drop.days else None


def days_left(drop: Drop, limit_bar: float) -> float | None:
    """Days until the limit at the slope of the last two weeks; None while it does not rise for certain."""
    days = drop.days[-_SLOPE_DAYS:]
    if drop.clean_bar is None or len(days) < 5 or days[-1].bar < drop.clean_bar:
        return None
    mean_day = sum(one.number for one in days) / len(days)
    mean_bar = sum(one.bar for one in days) / len(days)
    spread = sum((one.number - mean_day) ** 2 for one in days)
    slope = sum((one.number - mean_day) * (one.bar - mean_bar) for one in days) / max(spread, 1e-9)
    off = sum((one.bar - mean_bar - slope * (one.number - mean_day)) ** 2 for one in days) / (len(days) - 2)
    if slope <= 3.0 * (off / max(spread, 1e-9)) ** 0.5 or slope <= 0.0:
        return None
    return max(limit_bar - days[-1].bar, 0.0) / slope


def limit_of(drop: Drop, given_bar: float | None) -> float | None:
    """The most it may lose; None until what it loses when clean is known."""
    if given_bar is not None:
        return given_bar
    return None if drop.clean_bar is None else drop.clean_bar + MORE_BAR


def judged(drop: Drop, given_bar: float | None, warn_days: float) -> Drop:
    """Whether it is clogged, or will be within the days of warning, or water passes it by."""
    now, limit = now_bar(drop), limit_of(drop, given_bar)
    if now is None:
        return drop
    clogged = False
    if limit is not None:
        least = limit * (_BACK if drop.clogged else 1.0)
        left = days_left(drop, limit)
        half_way = drop.clean_bar is not None and now >= (drop.clean_bar + limit) / 2.0
        clogged = now >= least or (half_way and left is not None and left <= warn_days)
        clogged = clogged or (drop.clogged and half_way and now >= least * _BACK)
    last = [one.bar for one in drop.days[-2:]]
    fallen = drop.clean_bar is not None and len(drop.days) > _CLEAN_DAYS + 1
    fallen = fallen and all(bar < FALLEN * (drop.clean_bar or 0.0) for bar in last)
    if clogged == drop.clogged and fallen == drop.fallen:
        return drop
    return replace(drop, clogged=clogged, fallen=fallen)
