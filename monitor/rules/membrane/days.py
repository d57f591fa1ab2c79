"""From readings of a normalised channel to one value a working day, and its course since the reference.

The first minutes of a run are left out; then eight values, at least five minutes apart, make a block, and a
day is the median of its blocks. The days, their reference and their CUSUM are those of `rules/course.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import fmean, median

from monitor.frozen import replace
from monitor.rules.course import (
    LEAST_DAYS,
    Course,
    Day,
    Doubt,
    Reference,
    Sums,
    course,
    kept,
    learned,
    middle_half_mean,
    stepped,
)

_SPACING_MS = 5 * 60_000
_VALUES_A_BLOCK = 8
_LEAST_VALUES = 3
_BLOCKS_KEPT = 8
# A pause of so long between two values is a stop of the unit,
_PAUSE_MS = 15 * 60_000
# and the first minutes after it are those of water that stood and of meters that settle (common practice, no
# source).
_SETTLES_MS = 10 * 60_000
# A membrane change is followed by so many days that settle: a start-up is compared with once it has been
# stable for 24 to 48 h (docs/science/treatment.md).
SETTLING_DAYS = 2
# A cleaning is judged on so many days after it.
AFTER_DAYS = 4


@dataclass(frozen=True, slots=True)
class Block:
    """Most of an hour of running."""

    index: float  # ln of the value
    temperature_c: float | None
    sure: bool


@dataclass(frozen=True, slots=True)
class Today:
    """What the present day has given so far."""

    number: int = 0
    run_ms: int = 0  # when this run began
    heard_ms: int = 0
    taken_ms: int = 0
    values: tuple[float, ...] = ()
    warmth: tuple[float, ...] = ()
    unsure: int = 0
    blocks: tuple[Block, ...] = ()


@dataclass(frozen=True, slots=True)
class Track:
    """One of flow, passage and drop: its day, its days, and what was usual when the membrane was young."""

    today: Today = field(default_factory=Today)
    days: tuple[Day, ...] = ()
    reference: Reference | None = None
    sums: Sums = field(default_factory=Sums)
    told: int = 0  # the direction last told


def heard(
    track: Track, time_ms: int, day: int, value: float, warm_c: float | None, sure: bool, pause_ms: int
) -> tuple[Track, bool]:
    """With one more value of a day that is the track's own, and whether it ended a block."""
    today = track.today
    if time_ms - today.heard_ms > max(_PAUSE_MS, pause_ms):
        today = replace(today, run_ms=time_ms)
    today = replace(today, number=day, heard_ms=time_ms)
    if time_ms - today.run_ms >= _SETTLES_MS and time_ms - today.taken_ms >= _SPACING_MS and value > 0.0:
        warmth = today.warmth if warm_c is None else (*today.warmth, warm_c)
        values = (*today.values, math.log(value))
        today = replace(
            today, taken_ms=time_ms, values=values, warmth=warmth, unsure=today.unsure + (not sure)
        )
    full = len(today.values) >= _VALUES_A_BLOCK
    return replace(track, today=_closed(today) if full else today), full


def _closed(today: Today) -> Today:
    block = Block(
        index=middle_half_mean(today.values),
        temperature_c=fmean(today.warmth) if 2 * len(today.warmth) > len(today.values) else None,
        sure=2 * today.unsure < len(today.values),
    )
    return replace(today, values=(), warmth=(), unsure=0, blocks=(*today.blocks, block)[-_BLOCKS_KEPT:])


def so_far(today: Today) -> Day | None:
    """The day by its full blocks, the unsure ones only where there are no others."""
    blocks = [block for block in today.blocks if block.sure] or list(today.blocks)
    if not blocks:
        return None
    warm = [block.temperature_c for block in blocks if block.temperature_c is not None]
    index = median(block.index for block in blocks)
    return Day(
        number=today.number,
        index=index,
        measured=index,
        feed=0.0,
        temperature_c=median(warm) if len(warm) == len(blocks) else None,
        sure=blocks[0].sure,
    )


def turned(track: Track, day: int, begun: int, learn_days: int, doubt: Doubt, least_sigma: float) -> Track:
    """The track on another day: what came before is closed, summed, and learned from."""
    today = track.today
    if today.number == day:
        return track
    if len(today.values) >= _LEAST_VALUES:
        today = _closed(today)
    closed = so_far(today)
    fresh = Today(number=day, run_ms=today.run_ms, heard_ms=today.heard_ms, taken_ms=today.taken_ms)
    track = replace(track, today=fresh)
    if closed is None or closed.number < begun:
        return track
    track = replace(track, days=kept(track.days, closed))
    if track.reference is not None:
        return replace(track, sums=stepped(track.sums, track.reference, closed, doubt))
    if day - begun >= learn_days and len(track.days) >= LEAST_DAYS:
        return replace(track, reference=learned(track.days, least_sigma))
    return track


def begun_anew(track: Track, begun: int) -> Track:
    """For another membrane: only what was seen since it settled is its own."""
    days = tuple(day for day in track.days if day.number >= begun)
    return Track(today=_without_values(track.today), days=days)


def cleaned(track: Track, on: int, doubt: Doubt) -> Track:
    """After a cleaning: held against the same reference, from the day after it on."""
    if track.reference is None:
        return replace(track, days=(), today=_without_values(track.today))
    sums = Sums()
    for day in track.days:
        if day.number > on:
            sums = stepped(sums, track.reference, day, doubt)
    return replace(track, sums=sums, told=0, today=_without_values(track.today))


def _without_values(today: Today) -> Today:
    return replace(today, values=(), warmth=(), unsure=0, blocks=())


def change_before(track: Track, until: int) -> float | None:
    """The share by which the last days up to one differ from the reference; None where there are none."""
    days = [day.index for day in track.days if day.number <= until][-3:]
    if track.reference is None or not days:
        return None
    return math.expm1(median(days) - track.reference.index)


def change_since(track: Track, after: int) -> float | None:
    """The share by which the days after one differ from the reference; None before there are enough."""
    days = [day.index for day in track.days if day.number > after]
    if track.reference is None or len(days) < AFTER_DAYS:
        return None
    return math.expm1(median(days[:AFTER_DAYS]) - track.reference.index)


def course_of(track: Track, doubt: Doubt) -> Course | None:
    """What its days say, today's full hours among them; None before the reference is known."""
    if track.reference is None:
        return None
    now = so_far(track.today) if len(track.today.blocks) >= 2 else None
    days = track.days if now is None else kept(track.days, now)
    sums = track.sums if now is None else stepped(track.sums, track.reference, now, doubt)
    return course(days, sums, track.reference, doubt, track.told) if days else None


def latest(track: Track) -> float | None:
    """The median of the last three days, in the channel's unit."""
    now = so_far(track.today)
    days = track.days if now is None else kept(track.days, now)
    return math.exp(median(day.index for day in days[-3:])) if days else None
