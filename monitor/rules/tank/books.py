"""The books of a tank: quarters of an hour, runs of the RO, and what is drawn in each hour of the week."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.frozen import replace
from monitor.rules.course import middle_half_mean
from monitor.rules.tank.state import HOUR_MS, WEEK_H, Level, Mark, Profile, Pump, Run

BLOCK_MS = 15 * 60_000
# Two marks further apart than this are not held against each other.
_TOGETHER_MS = 60 * 60_000
_MARKS_KEPT = 160
_RUNS_KEPT = 60
_DAYS_KEPT = 28
# An hour of the week is known from about so many weeks: older ones fade.
_WEEKS = 4.0
# What nobody knows of an hour yet leans on that hour of like days, worth so many hours.
_LEAN_H = 0.5


def hour_of_week(time_ms: int, zone: ZoneInfo) -> int:
    """0 is Monday midnight to one, by the shop's clock."""
    local = datetime.fromtimestamp(time_ms / 1000, zone)
    return 24 * local.weekday() + local.hour


def day_of(time_ms: int, zone: ZoneInfo) -> int:
    """The shop's day (proleptic ordinal)."""
    return datetime.fromtimestamp(time_ms / 1000, zone).date().toordinal()


def added(profile: Profile, hour: int, seen: float, hours: float) -> Profile:
    """The profile with some more of one hour of the week."""
    fade = max(1.0 - hours / _WEEKS, 0.0)
    new_seen, new_hours = list(profile.seen), list(profile.hours)
    # Rounded, since the whole week is written to the store now and then.
    new_seen[hour] = round(fade * new_seen[hour] + seen, 4)
    new_hours[hour] = round(fade * new_hours[hour] + hours, 4)
    return Profile(tuple(new_seen), tuple(new_hours))


def rate(profile: Profile, hour: int) -> float:
    """What is usual in an hour of the week, for each hour; leaning on that hour of like days where it is
    little known."""
    like = _like(hour)
    hours = sum(profile.hours[h] for h in like)
    leaning = sum(profile.seen[h] for h in like) / hours if hours > 0.0 else 0.0
    return (profile.seen[hour] + _LEAN_H * leaning) / (profile.hours[hour] + _LEAN_H)


def _like(hour: int) -> range | tuple[int, ...]:
    """The same hour of the days that work alike: Monday to Friday, and Saturday or Sunday alone."""
    return range(hour % 24, 120, 24) if hour < 120 else (hour,)


def known(profile: Profile) -> bool:
    """Whether a week was seen, nearly all of it: some hours are always those in which the RO runs."""
    return sum(1 for h in range(WEEK_H) if sum(profile.hours[like] for like in _like(h)) >= 0.5) >= 150


def mean_rate(profile: Profile) -> float:
    """Over the whole week."""
    return sum(rate(profile, hour) for hour in range(WEEK_H)) / WEEK_H


def on_contact(pump: Pump, time_ms: int, on: bool, level: float, zone: ZoneInfo, trusted_ms: int) -> Pump:
    """The RO with one more word of whether it runs."""
    pump = replace(pump, first_ms=pump.first_ms or time_ms)
    gone_ms = time_ms - pump.heard_ms if pump.heard_ms else 0
    if pump.on is not None and 0 < gone_ms <= trusted_ms:
        hour, hours = hour_of_week(time_ms, zone), gone_ms / HOUR_MS
        owed = pump.owed_h if pump.on else pump.owed_h + hours * rate(pump.share, hour)
        pump = replace(pump, owed_h=owed, share=added(pump.share, hour, hours if pump.on else 0.0, hours))
    pump = replace(pump, heard_ms=time_ms)
    if on == pump.on and gone_ms <= trusted_ms:
        return pump
    if on:
        gaps = pump.gaps if pump.on is None else (*pump.gaps, pump.owed_h)[-_RUNS_KEPT:]
        return replace(pump, on=True, since_ms=time_ms, begin_level=level, gaps=gaps, owed_h=0.0)
    runs = pump.runs
    # A run whose beginning or end was not heard is none to learn from.
    if pump.on and gone_ms <= trusted_ms:
        runs = (*runs, Run(pump.since_ms, time_ms, pump.begin_level, level))[-_RUNS_KEPT:]
    return replace(pump, on=False, since_ms=time_ms, begin_level=level, runs=runs, owed_h=0.0)


def on_level(
    level: Level, time_ms: int, value: float, ran: bool | None, zone: ZoneInfo
) -> tuple[Level, Mark | None]:
    """The level with one more value, and the quarter of an hour that it closed.

    `ran` is whether the RO runs; None where only the level itself can say.
    """
    block_ms = time_ms // BLOCK_MS * BLOCK_MS
    closed = None
    if block_ms != level.block_ms:
        closed = _mark(level)
        level = replace(level, block_ms=block_ms, values=(), ran_ms=0)
    gone_ms = min(max(time_ms - max(level.heard_ms, block_ms), 0), BLOCK_MS)
    level = replace(
        level,
        values=(*level.values, value),
        heard_ms=time_ms,
        ran_ms=level.ran_ms + (gone_ms if ran else 0),
    )
    return level, closed


def _mark(level: Level) -> Mark | None:
    if not level.values:
        return None
    middle = level.block_ms + BLOCK_MS // 2
    return Mark(middle, middle_half_mean(level.values), min(level.ran_ms / BLOCK_MS, 1.0))


def closed(level: Level, mark: Mark, zone: ZoneInfo, learn: bool) -> Level:
    """The books with one more quarter of an hour: what was drawn in it, if the RO stood in it and before.

    `learn`: nothing is wrong, so that how low it gets is how low it usually gets.
    """
    last = level.marks[-1] if level.marks else None
    level = replace(level, marks=(*level.marks, mark)[-_MARKS_KEPT:])
    day = day_of(mark.at_ms, zone)
    if day != level.day:
        days = level.days
        if level.day and level.expected > 0.0:
            days = (*days, (level.drawn, level.expected))[-_DAYS_KEPT:]
        lows = (*level.lows, mark.level)[-_DAYS_KEPT:] if learn else level.lows
        level = replace(level, day=day, drawn=0.0, expected=0.0, days=days, lows=lows)
    elif learn and level.lows and mark.level < level.lows[-1]:
        level = replace(level, lows=(*level.lows[:-1], mark.level))
    if last is None or mark.at_ms - last.at_ms > _TOGETHER_MS or mark.ran > 0.0 or last.ran > 0.0:
        return level
    hours, hour = (mark.at_ms - last.at_ms) / HOUR_MS, hour_of_week(mark.at_ms, zone)
    drawn = last.level - mark.level
    return replace(
        level,
        drawn=level.drawn + drawn,
        expected=level.expected + hours * rate(level.use, hour),
        use=added(level.use, hour, drawn, hours),
    )
