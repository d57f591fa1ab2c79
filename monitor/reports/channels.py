"""The figures of one channel's week: availability, quality, noise, course."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from monitor.plant.model import Plant
from monitor.readings import Level, Reason, words
from monitor.reports.figures import (
    HOUR_BAD,
    HOUR_GOOD,
    HOUR_NOTHING,
    HOUR_UNCERTAIN,
    ChannelWeek,
    Course,
    Span,
)
from monitor.reports.week import Week
from monitor.store.sums import HOUR_MS, Every, Sum, merged
from monitor.store.trend import Point, by_unit, trend
from monitor.store.weekly import HourQuality, gaps, kept_whole, last_value, quality_by_hour

WEEKS_BEFORE = 4
COURSE_POINTS = 84  # two hours each
_SPIKY, _STUCK = Reason.JUMP | Reason.NOISY, Reason.FLAT
_MOST_GAPS = 5
# A reading is missing when so many intervals have passed without one, and two minutes at least.
_MISSED, _MISSED_AT_LEAST_MS = 3, 120_000
# An hour is called by its worst quality that a tenth of its readings had: one bad reading is no bad hour.
_A_TENTH = 0.1
_LEAST_HOURS = 24
# What only grows or switches has no noise.
_NO_NOISE = ("volume", "contact", "load", "duration", "count")


@dataclass(frozen=True, slots=True)
class Hours:
    """A channel's hours: of the week, and of each of the weeks before it, the latest first."""

    now: tuple[Point, ...]
    before: tuple[tuple[Point, ...], ...]

    @classmethod
    def of(cls, connection: sqlite3.Connection, channel: str, week: Week) -> Hours:
        return cls.of_weeks(connection, channel, week, 1)[0]

    @classmethod
    def of_weeks(cls, connection: sqlite3.Connection, channel: str, last: Week, weeks: int) -> list[Hours]:
        """Those of so many weeks, the latest first, each with the weeks before it."""
        spans = [last.earlier(n) for n in range(weeks + WEEKS_BEFORE)]
        points = by_unit(connection, channel, Every.HOUR, spans[-1].from_ms // HOUR_MS * HOUR_MS, last.to_ms)
        # An hour of UTC that two weeks share (a zone with half hours) is the later one's.
        begins = [span.from_ms // HOUR_MS * HOUR_MS for span in spans]
        ends = [last.to_ms, *begins]
        found: list[list[Point]] = [[] for _ in spans]
        n = len(spans) - 1
        for point in points:
            while n > 0 and point.start_ms >= ends[n]:
                n -= 1
            found[n].append(point)
        whole = [tuple(one) for one in found]
        return [cls(whole[n], tuple(whole[n + 1 : n + 1 + WEEKS_BEFORE])) for n in range(weeks)]


def together(points: Sequence[Point]) -> Sum | None:
    """The sum of several spans; None of none."""
    found: Sum | None = None
    for point in points:
        found = point.sum if found is None else merged(found, point.sum)
    return found


def missing_after_ms(plant: Plant, channel: str) -> int:
    """So long without a reading is a gap."""
    return max(_MISSED * plant.interval_of(channel), _MISSED_AT_LEAST_MS)


def channel_week(
    connection: sqlite3.Connection, plant: Plant, channel: str, week: Week, hours: Hours
) -> ChannelWeek:
    """All that one channel's own readings tell; what it is held against is added by `against`."""
    known = plant.channels[channel]
    from_ms, to_ms = week.from_ms, week.to_ms
    n_hours = -(-(to_ms - from_ms) // HOUR_MS)
    whole = kept_whole(connection, channel, from_ms)
    quality = quality_by_hour(connection, channel, from_ms, to_ms) if whole else []
    sum_ = together(hours.now)
    missing = (
        gaps(connection, channel, from_ms, to_ms, missing_after_ms(plant, channel))
        if whole
        else _gaps_of_hours(hours.now, from_ms, to_ms)
    )
    spans = [Span(*gap) for gap in missing]
    n = sum(row.n for row in quality) if whole else (0 if sum_ is None else sum_.n)
    shares = _shares(quality, n) if whole else (None if sum_ is None else sum_.share_good, None, None)
    last = last_value(connection, channel, to_ms, hours.now[0].start_ms) if whole and hours.now else None
    return ChannelWeek(
        id=channel,
        name=plant.span_words(channel),
        quantity=known.quantity,
        readings=n,
        # The first of the intervals without a reading is the one that the last reading stood for.
        availability=1.0
        - sum(max(span.to_ms - span.from_ms - plant.interval_of(channel), 0) for span in spans)
        / (to_ms - from_ms),
        gaps=_longest(spans),
        gap_count=len(spans),
        good=shares[0],
        uncertain=shares[1],
        bad=shares[2],
        reasons=_reasons(quality, n),
        stuck=_spans_of(quality, _STUCK, from_ms, to_ms),
        spiky=_spans_of(quality, _SPIKY, from_ms, to_ms),
        judged=0 if sum_ is None else sum_.counted,
        last_ms=last[0] if last else (hours.now[-1].end_ms if hours.now else None),
        low=None if sum_ is None else sum_.low,
        mean=None if sum_ is None else sum_.mean,
        high=None if sum_ is None else sum_.high,
        noise=_noise(hours.now, known.quantity, known.canonical_resolution),
        noise_usual=_usual_noise(hours.before, known.quantity, known.canonical_resolution),
        partner=None,
        hand=None,
        hours=_strip(quality, n_hours) if whole else _strip_of_hours(hours.now, from_ms, n_hours),
        course=_course(connection, channel, from_ms, to_ms),
    )


def _gaps_of_hours(points: Sequence[Point], from_ms: int, to_ms: int) -> list[tuple[int, int]]:
    """Whole hours without a reading, where the readings themselves are no longer kept."""
    found, at_ms = [], from_ms
    for start_ms, end_ms in [*((p.start_ms, p.end_ms) for p in points), (to_ms, to_ms)]:
        if start_ms > at_ms:
            found.append((at_ms, start_ms))
        at_ms = max(at_ms, end_ms)
    return found


def _longest(spans: Sequence[Span]) -> tuple[Span, ...]:
    longest = sorted(spans, key=lambda span: span.from_ms - span.to_ms)[:_MOST_GAPS]
    return tuple(sorted(longest, key=lambda span: span.from_ms))


def _shares(quality: Sequence[HourQuality], n: int) -> tuple[float | None, float | None, float | None]:
    if n == 0:
        return None, None, None
    of = Counter[Level]()
    for row in quality:
        of[row.level] += row.n
    return of[Level.GOOD] / n, of[Level.UNCERTAIN] / n, of[Level.BAD] / n


def _reasons(quality: Sequence[HourQuality], n: int) -> tuple[tuple[str, float], ...]:
    of = Counter[str]()
    for row in quality:
        if row.level is not Level.GOOD:
            for word in words(row.reasons):
                of[word] += row.n
    return tuple((word, count / n) for word, count in of.most_common())


def _spans_of(quality: Sequence[HourQuality], reasons: Reason, from_ms: int, to_ms: int) -> tuple[Span, ...]:
    """Hours with a reading that bears one of the reasons, neighbours as one."""
    hours = sorted({row.hour for row in quality if row.reasons & reasons})
    found: list[list[int]] = []
    for hour in hours:
        if found and found[-1][1] == hour:
            found[-1][1] = hour + 1
        else:
            found.append([hour, hour + 1])
    return tuple(Span(from_ms + a * HOUR_MS, min(from_ms + b * HOUR_MS, to_ms)) for a, b in found)


def _strip(quality: Sequence[HourQuality], n_hours: int) -> str:
    of: dict[int, Counter[Level]] = {}
    for row in quality:
        of.setdefault(row.hour, Counter())[row.level] += row.n
    return "".join(_hour(of.get(hour)) for hour in range(n_hours))


def _hour(of: Counter[Level] | None) -> str:
    if of is None:
        return HOUR_NOTHING
    least = _A_TENTH * of.total()
    if of[Level.BAD] and of[Level.BAD] >= least:
        return HOUR_BAD
    doubtful = of[Level.BAD] + of[Level.UNCERTAIN]
    return HOUR_UNCERTAIN if doubtful and doubtful >= least else HOUR_GOOD


def _strip_of_hours(points: Sequence[Point], from_ms: int, n_hours: int) -> str:
    strip = [HOUR_NOTHING] * n_hours
    for point in points:
        hour = max(0, (point.start_ms - from_ms) // HOUR_MS)
        if hour < n_hours:
            strip[hour] = HOUR_GOOD if 1.0 - point.sum.share_good < _A_TENTH else HOUR_UNCERTAIN
    return "".join(strip)


def _noise(points: Sequence[Point], quantity: str, resolution: float) -> float | None:
    """The median of the hours' spread (highest less lowest), at least one step of the display.

    A step of the process in one hour, or in a few, does not move the median; noise in most hours does.
    """
    if quantity in _NO_NOISE:
        return None
    spreads = [
        p.sum.high - p.sum.low
        for p in points
        if p.sum.counted >= 3 and p.sum.high is not None and p.sum.low is not None
    ]
    return max(median(spreads), resolution) if len(spreads) >= _LEAST_HOURS else None


def _usual_noise(weeks: Sequence[Sequence[Point]], quantity: str, resolution: float) -> float | None:
    known = [noise for week in weeks if (noise := _noise(week, quantity, resolution)) is not None]
    return median(known) if known else None


def _course(connection: sqlite3.Connection, channel: str, from_ms: int, to_ms: int) -> Course:
    made = [
        (point.start_ms, point.sum.low, point.sum.mean, point.sum.high)
        for point in trend(connection, channel, from_ms, to_ms, COURSE_POINTS).points
    ]
    rows = [
        (start, low, mean, high)
        for start, low, mean, high in made
        if low is not None and mean is not None and high is not None
    ]
    return Course(
        tuple(row[0] for row in rows),
        tuple(_short(row[1]) for row in rows),
        tuple(_short(row[2]) for row in rows),
        tuple(_short(row[3]) for row in rows),
    )


def _short(value: float) -> float:
    """Six digits: it is drawn, not computed with."""
    return float(f"{value:.6g}")
