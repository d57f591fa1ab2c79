"""Whether an instrument's own clock is right, by when its readings arrive.

A reading arrives a little after it was taken, never before. The smallest delay of an hour is nearly none, so
it is what the instrument's clock is off: *ahead* where even the largest delay is below zero, *behind* where
the smallest is far above it, hour after hour. The arrival is stamped by the gateway, whose clock is taken as
right. Nothing is corrected by it: what a clock cannot have seen stays unjudged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import CLOCK_TRUSTED_FROM_MS, DELIVERED_LATE, Evidence, Reading, Stamp, Status
from monitor.rules.explaining import Figures, Moment
from monitor.rules.instrument.verdict import Verdict
from monitor.rules.rule import span
from monitor.stats.trend import theil_sen

_HOUR_MS = 3_600_000
_DAY_MS = 86_400_000
# Channels of one telegram say the same, and of a quick instrument a few will do.
_SPACING_MS = 10_000
_LEAST = 5  # readings of an hour, or the hour lasts longer
_AHEAD_AFTER_MS = 600_000
_STUCK_AFTER_MS = 600_000
_DAYS_KEPT = 8
_DRIFT_DAYS = 5
# A quartz of a gateway without network time drifts by a few seconds a day (common practice, no source).
_DRIFT_MS_A_DAY = 10_000.0
# Zones of the world differ by whole quarters of an hour.
_QUARTER_MS = 900_000
_NEAR_QUARTER_MS = 90_000
# Clocks that are off by the same: then it may be the one they are held against.
_ALIKE_MS = 30_000
# Delivered late, or no instrument's.
_NO_SIGN = DELIVERED_LATE | Status.DERIVED

How = Literal["", "ahead", "behind", "stuck", "drift"]


@dataclass(frozen=True, slots=True)
class Delays:
    """Smallest and largest delay of an hour."""

    begun_ms: int
    n: int
    least_ms: int
    most_ms: int


@dataclass(frozen=True, slots=True)
class ClockSeen:
    """What the delays of one instrument have shown."""

    now: Delays | None = None
    before: Delays | None = None  # of the hour before
    own_ms: int = 0  # the latest time it has given,
    own_since_ms: int = 0  # and when that first arrived
    arrivals: int = 0  # with that same time, each later than the one before
    arrival_ms: int = 0
    days: tuple[tuple[int, int], ...] = ()  # number of a day (UTC) and its smallest delay
    day: tuple[int, int] = (0, 0)
    drift_ms_a_day: float | None = None
    how: How = ""
    since_ms: int = 0


class Clocks:
    """The clocks of all instruments whose readings carry their own time."""

    def __init__(self, plant: Plant, instruments: frozenset[str], off_ms: int) -> None:
        self._off_ms = off_ms
        watched = [i for i in plant.instrument if i.id in instruments and i.wire.kind != "hand"]
        self._instrument_of = {c.id: i.id for i in watched for c in i.channel}
        self._interval_ms = {i.id: i.expected_interval for i in watched}
        self._label = {i.id: i.label for i in watched}
        self._where = {i.id: plant.place_of(i.channel[0].id) for i in watched}
        # The rows of a file are as old as the file is, so only a stamp of the future tells.
        self._from_files = {i.id for i in watched if i.wire.kind == "logger-file"}
        self.channels = frozenset(self._instrument_of)

    def subject(self, channel: str) -> str:
        return self._instrument_of[channel]

    def figures(self, clocks: Mapping[str, ClockSeen], now: Moment) -> Figures:
        return {
            name: [self._figure(name, seen, now)] for name, seen in clocks.items() if seen.now is not None
        }

    def _figure(self, name: str, seen: ClockSeen, now: Moment) -> str:
        assert seen.now is not None
        delays = f"{seen.now.least_ms / 1000:.1f} to {seen.now.most_ms / 1000:.1f} s"
        behind = (
            ""
            if name in self._from_files
            else (f", or behind by more than {span(self._off_ms + self._interval_ms[name])}")
        )
        return (
            f"its readings of the last hour came {delays} after the time they carry (seen at "
            f"{now.ago(seen.arrival_ms)}); told when it is ahead by more than {span(self._off_ms)}{behind}"
        )

    def on_reading(
        self, clocks: Mapping[str, ClockSeen], reading: Reading, *, told: bool
    ) -> tuple[Mapping[str, ClockSeen], Verdict | None]:
        """After a reading in order; `told` asks for a verdict also when all is well."""
        if not reading.own_time or reading.status & _NO_SIGN:
            return clocks, None
        before = clocks.get(self._instrument_of[reading.channel])
        if before is not None and _is_nothing_new(before, reading.arrival_ms, reading.time_ms):
            return clocks, None
        stamp = Stamp(reading.arrival_ms, reading.channel, reading.time_ms)
        return self.on_stamp(clocks, stamp, told=told, judged=True)

    def on_stamp(
        self, clocks: Mapping[str, ClockSeen], stamp: Stamp, *, told: bool, judged: bool = False
    ) -> tuple[Mapping[str, ClockSeen], Verdict | None]:
        """After a time that an instrument gave, with a reading that was judged or with one that was not."""
        if stamp.time_ms < CLOCK_TRUSTED_FROM_MS:
            return clocks, None
        name = self._instrument_of[stamp.channel]
        before = clocks.get(name) or ClockSeen()
        if _is_nothing_new(before, stamp.time_ms, stamp.own_ms):
            return clocks, None
        seen = _heard(before, stamp)
        how = self._how(name, seen, before.how)
        if how != before.how:
            seen = replace(seen, how=how, since_ms=stamp.time_ms)
        clocks = {**clocks, name: seen}
        return clocks, self._verdict(name, clocks, stamp.time_ms, judged=judged) if how or told else None

    def _how(self, name: str, seen: ClockSeen, was: How) -> How:
        """What is wrong; what was told has to come back to half of what it took."""
        off_ms = self._off_ms // 2 if was else self._off_ms
        now, before = seen.now, seen.before
        assert now is not None
        lasted_ms = seen.arrival_ms - seen.own_since_ms
        allowed_ms = max(_STUCK_AFTER_MS, 5 * self._interval_ms[name])
        if seen.arrivals >= _LEAST and lasted_ms > allowed_ms and name not in self._from_files:
            return "stuck"
        long_enough = seen.arrival_ms - now.begun_ms >= _AHEAD_AFTER_MS or before is not None
        if now.n >= _LEAST and long_enough and now.most_ms < -off_ms:
            return "ahead"
        behind_ms = off_ms + self._interval_ms[name]
        both = before is not None and now.n >= _LEAST and before.least_ms > behind_ms
        if both and now.least_ms > behind_ms and name not in self._from_files:
            return "behind"
        if now.n < _LEAST and was in ("ahead", "behind"):
            return was  # an hour has just begun
        return "drift" if name not in self._from_files and seen.drift_ms_a_day is not None else ""

    def _verdict(self, name: str, clocks: Mapping[str, ClockSeen], at_ms: int, *, judged: bool) -> Verdict:
        seen = clocks[name]
        off_ms = _off_ms(seen)
        alike = [
            other
            for other, one in clocks.items()
            if other != name and one.how == seen.how and abs(_off_ms(one) - off_ms) < _ALIKE_MS
        ]
        evidence: Evidence = {
            "instrument": self._label[name],
            "where": self._where[name],
            "how": seen.how,
            "off_ms": off_ms,
            "zone_ms": _zone_ms(off_ms),
            "own_ms": seen.own_ms,
            "stands_for_ms": seen.arrival_ms - seen.own_since_ms,
            "drift_ms_a_day": seen.drift_ms_a_day,
            "judged": judged,
            "alike": [self._label[other] for other in alike],
        }
        return Verdict("clock", name, bool(seen.how), at_ms, seen.since_ms or at_ms, 0.95, evidence)


def _off_ms(seen: ClockSeen) -> int:
    """By how much the clock is ahead; negative where it is behind."""
    assert seen.now is not None
    spans = [d for d in (seen.now, seen.before) if d is not None and d.n >= _LEAST] or [seen.now]
    return -min(span.least_ms for span in spans)


def _is_nothing_new(seen: ClockSeen, arrival_ms: int, own_ms: int) -> bool:
    """It came with others, or soon after, and widens nothing: of a batch only the ends tell."""
    if seen.now is None or not 0 <= arrival_ms - seen.arrival_ms < _SPACING_MS:
        return False
    return seen.now.least_ms <= arrival_ms - own_ms <= seen.now.most_ms


def _heard(seen: ClockSeen, stamp: Stamp) -> ClockSeen:
    arrival_ms, lag_ms = stamp.time_ms, stamp.time_ms - stamp.own_ms
    now, before = seen.now, seen.before
    if now is not None and now.n >= _LEAST and not 0 <= arrival_ms - now.begun_ms < _HOUR_MS:
        now, before = None, now
    if now is None:
        now = Delays(arrival_ms, 1, lag_ms, lag_ms)
    else:
        # Beyond what is asked of it the count does not matter, and the state need not change.
        n = min(now.n + 1, _LEAST)
        now = Delays(now.begun_ms, n, min(now.least_ms, lag_ms), max(now.most_ms, lag_ms))
    own_ms, own_since_ms, arrivals = seen.own_ms, seen.own_since_ms, seen.arrivals
    if stamp.own_ms != own_ms:
        own_ms, own_since_ms, arrivals = stamp.own_ms, arrival_ms, 1
    elif arrival_ms > seen.arrival_ms:
        arrivals += 1
    days, day, drift = seen.days, seen.day, seen.drift_ms_a_day
    number = arrival_ms // _DAY_MS
    if number != day[0]:
        days = (*days, day)[-_DAYS_KEPT:] if day[0] else days
        drift = _drift_ms_a_day(days)
        day = (number, lag_ms)
    elif lag_ms < day[1]:
        day = (number, lag_ms)
    return replace(
        seen,
        now=now,
        before=before,
        own_ms=own_ms,
        own_since_ms=own_since_ms,
        arrivals=arrivals,
        arrival_ms=arrival_ms,
        days=days,
        day=day,
        drift_ms_a_day=drift,
    )


def _drift_ms_a_day(days: tuple[tuple[int, int], ...]) -> float | None:
    """By how much the clock gains on ours each day; None while it keeps pace, or is not known for long."""
    if len(days) < _DRIFT_DAYS:
        return None
    rate = -theil_sen([float(number) for number, _ in days], [float(least) for _, least in days]).slope
    steady = sum((b - a) * rate < 0.0 for (_, a), (_, b) in pairwise(days))
    if abs(rate) < _DRIFT_MS_A_DAY or steady < len(days) - 2:
        return None
    return rate


def _zone_ms(off_ms: int) -> int | None:
    """The whole quarters of an hour a clock is off, where that looks like a zone or summer time."""
    quarters = round(off_ms / _QUARTER_MS)
    if abs(quarters) < 2 or abs(off_ms - quarters * _QUARTER_MS) > _NEAR_QUARTER_MS:
        return None
    return quarters * _QUARTER_MS
