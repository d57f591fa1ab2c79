"""The course of what a membrane does, day by day: reference, unexplained change, rise or fall, rate.

All in natural logarithms of an *index*: what was measured, brought as far as the instruments allow to a state
that does not depend on temperature, flow and recovery. One value a working day. What is worked out here is
pure and depends on nothing but its arguments, so it is remembered between readings of one day.
The rules `creep` (salt passage) and `membrane` (flow and pressure drop beside it) share it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from statistics import fmean, median

from monitor.stats.robust import median_and_mad
from monitor.stats.run_length_ar1 import cusum_threshold_ar1
from monitor.stats.trend import theil_sen

DAYS_KEPT = 24
# A reference rests on at least so many days with water made.
LEAST_DAYS = 7
# Run length of the CUSUM on noise alone: ten years of working days.
QUIET_DAYS = 2500.0
# The rise looked for. A smaller one is watched, not chased: 5 % more passage is where cleaning is first
# thought of (cleaning triggers of the trade: 5 to 10 % of normalised salt passage).
RISE = 0.05
# What a day's value is taken to scatter by before the channel's own residuals say it (own choice), and how
# many days that guess is worth.
_GUESS_SIGMA, _GUESS_PHI, _GUESS_DAYS = 0.015, 0.4, 5
_LEAST_SIGMA = 0.005
_PHI_GRID = (0.2, 0.3, 0.4, 0.5, 0.6)
_K_GRID = (1.0, 1.5, 2.0)
# One day alone, however far out, fills no more than this share of the threshold.
_ONE_DAY = 0.7
# Beyond this many thresholds a sum grows no further, so that the end of a fault is seen soon.
_FULL = 2.0
# A day on which flow or gate had to be guessed proves nothing below this.
_UNSURE = 0.05
# A rise once told is over when the sum has fallen to this share of the threshold.
_HELD = 0.5


@dataclass(frozen=True, slots=True)
class Day:
    """One working day: medians over its hours of running."""

    number: int  # proleptic ordinal of the local date
    index: float  # ln of the value brought to the reference state
    measured: float  # ln of the value as it was
    feed: float  # ln of the feed's conductivity; 0 without a feed probe
    temperature_c: float | None
    sure: bool  # water was known to flow, and every input was there


@dataclass(frozen=True, slots=True)
class Reference:
    """What is usual here, and how far a day's value strays from it by itself."""

    index: float
    measured: float
    temperature_c: float | None
    sigma: float
    phi: float  # correlation of a day's value with the day before
    days: int
    middle: int  # the day in the middle of those,
    until: int  # and the last

    @property
    def error(self) -> float:
        """Two standard errors of the median of so few days with a memory."""
        memory = max(self.phi, 0.0)
        return 2.0 * 1.2533 * self.sigma * math.sqrt((1.0 + memory) / (1.0 - memory) / self.days)


@dataclass(frozen=True, slots=True)
class Sums:
    """The two CUSUMs over closed days, and the first day of each rise since it last stood at zero."""

    up: float = 0.0
    down: float = 0.0
    up_since: int = 0
    down_since: int = 0


@dataclass(frozen=True, slots=True)
class Doubt:
    """What may move the index without the membrane, as shares of it."""

    a_degree: float  # from the reference's temperature
    of_year: float  # between the seasons, where no thermometer tells
    always: float

    def of(self, reference: Reference, day: Day) -> float:
        """The share of change on that day that proves nothing."""
        share = self.always + reference.error + (0.0 if day.sure else _UNSURE)
        if reference.temperature_c is None or day.temperature_c is None:
            # The most that a yearly wave can have moved in so many days, whatever the season it began in.
            return share + self.of_year * abs(math.sin(math.pi * (day.number - reference.middle) / 365.0))
        return share + self.a_degree * abs(day.temperature_c - reference.temperature_c)


@dataclass(frozen=True, slots=True)
class Rate:
    """Change a week as a share of the reference, with its interval."""

    a_week: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Course:
    """What the days say.

    `change`: the share by which the index stands above its reference now. `unexplained`: what of it (in ln)
    is beyond the doubt of temperature and method.
    """

    direction: int  # 1 risen, -1 fallen, 0 neither can be told
    since: int  # ordinal of the day it began; 0 when nothing did
    change: float
    unexplained: float
    doubt: float
    step: float  # ln change of the index since the days before it began,
    feed_step: float  # and of the feed in the same time
    rate: Rate | None
    as_it_comes: Rate | None  # of what is measured, with nothing corrected
    days: int  # that it rests on, since it began
    sure: bool  # most of them with flow and all inputs known


def learned(days: Sequence[Day], least_sigma: float) -> Reference:
    """The reference from the days of learning: medians, scatter and memory of their residuals.

    A dozen days tell scatter and memory poorly, so both lean on a guess worth `_GUESS_DAYS` days.
    """
    index, mad = median_and_mad([day.index for day in days])
    residuals = [day.index - index for day in days]
    n, own = len(days), mad / 0.6745
    sigma = math.sqrt((n * own**2 + _GUESS_DAYS * _GUESS_SIGMA**2) / (n + _GUESS_DAYS))
    square = math.fsum(r * r for r in residuals)
    lag1 = math.fsum(a * b for a, b in pairwise(residuals)) / square if square else 0.0
    phi = (n * lag1 + 2 * _GUESS_DAYS * _GUESS_PHI) / (n + 2 * _GUESS_DAYS)
    warm = [day.temperature_c for day in days if day.temperature_c is not None]
    return Reference(
        index=index,
        measured=median(day.measured for day in days),
        temperature_c=median(warm) if warm else None,
        sigma=max(sigma, least_sigma, _LEAST_SIGMA),
        phi=phi,
        days=n,
        middle=days[n // 2].number,
        until=days[-1].number,
    )


@lru_cache(maxsize=64)
def chart(sigma: float, phi: float) -> tuple[float, float]:
    """Allowance and threshold of the CUSUM, in ln: calibrated for the noise's own scatter and memory.

    On a coarse grid, since thresholds for a long memory take seconds to compute.
    """
    k = min(_K_GRID, key=lambda known: abs(known - RISE / 2.0 / sigma))
    memory = min(_PHI_GRID, key=lambda known: (abs(known - phi), -known))
    return k * sigma, _threshold(k, memory) * sigma


@lru_cache(maxsize=64)
def _threshold(k: float, phi: float) -> float:
    return cusum_threshold_ar1(QUIET_DAYS, k, phi, sides=1)


def unexplained(reference: Reference, day: Day, doubt: Doubt) -> float:
    """The change of a day (ln) that temperature and method leave: zero within their doubt."""
    change, room = day.index - reference.index, doubt.of(reference, day)
    return math.copysign(max(abs(change) - room, 0.0), change)


def stepped(sums: Sums, reference: Reference, day: Day, doubt: Doubt) -> Sums:
    """The sums after one more day."""
    allowance, threshold = chart(reference.sigma, reference.phi)
    y = unexplained(reference, day, doubt)
    most, full = _ONE_DAY * threshold, _FULL * threshold
    up = min(max(0.0, sums.up + min(y - allowance, most)), full)
    down = min(max(0.0, sums.down + min(-y - allowance, most)), full)
    return Sums(
        up,
        down,
        (sums.up_since or day.number) if up > 0.0 else 0,
        (sums.down_since or day.number) if down > 0.0 else 0,
    )


@lru_cache(maxsize=16)
def course(days: tuple[Day, ...], sums: Sums, reference: Reference, doubt: Doubt, told: int) -> Course:
    """What days, the last of them perhaps not over, and the sums up to and with it say.

    `told`: the direction told before, which holds a little longer than it took to tell it.
    """
    _, threshold = chart(reference.sigma, reference.phi)
    up, down = ((threshold * _HELD if told == side else threshold) for side in (1, -1))
    direction = 1 if sums.up > up else -1 if sums.down > down else 0
    since = sums.up_since if direction == 1 else sums.down_since if direction == -1 else 0
    within = [day for day in days if since and day.number >= since]
    lately = (within or list(days))[-3:]
    now = median(day.index for day in lately) - reference.index
    before = [day for day in days if day.number < since][-5:] or list(days)
    return Course(
        direction=direction if len(within) >= 2 else 0,
        since=since,
        change=math.expm1(now),
        unexplained=median(unexplained(reference, day, doubt) for day in lately),
        doubt=fmean(doubt.of(reference, day) for day in lately),
        step=median(day.index for day in lately) - median(day.index for day in before),
        feed_step=median(day.feed for day in lately) - median(day.feed for day in before),
        rate=_rate(days, since, reference, [day.index - reference.index for day in days]),
        as_it_comes=_rate(days, since, reference, [day.measured - reference.measured for day in days]),
        days=len(within),
        sure=2 * sum(day.sure for day in lately) > len(lately),
    )


def _rate(days: tuple[Day, ...], since: int, reference: Reference, changes: list[float]) -> Rate | None:
    """Theil-Sen slope from three days before the rise began, its interval widened for memory."""
    begun = next((i for i, day in enumerate(days) if since and day.number >= since), len(days))
    if since == 0 or len(days) - begun < 4:
        return None
    first = max(begun - 3, 0)
    weeks = [day.number / 7.0 for day in days[first:]]
    line = theil_sen(weeks, [math.exp(change) for change in changes[first:]])
    memory = min(max(reference.phi, 0.0), 0.8)
    wider = math.sqrt((1.0 + memory) / (1.0 - memory))
    return Rate(
        line.slope,
        line.slope - wider * (line.slope - line.low),
        line.slope + wider * (line.high - line.slope),
    )


def days_to(
    limit_ratio: float, now_ratio: float, rate: Rate | None
) -> tuple[float, float, float | None] | None:
    """Days until a value at `now_ratio` of its reference stands at `limit_ratio`: likely, soonest, latest.

    The latest is None when it may be never; all is None while there is no rate, or none upwards.
    """
    if rate is None or rate.a_week <= 0.0:
        return None
    left = max(limit_ratio - now_ratio, 0.0)
    latest = 7.0 * left / rate.low if rate.low > 0.0 else None
    return 7.0 * left / rate.a_week, 7.0 * left / rate.high, latest


def kept(days: tuple[Day, ...], day: Day) -> tuple[Day, ...]:
    """The days with one more, the oldest let go."""
    return (*days, day)[-DAYS_KEPT:]


def middle_half_mean(values: Sequence[float]) -> float:
    """Mean of the values without their lowest and highest quarter."""
    cut = len(values) // 4
    return fmean(sorted(values)[cut : len(values) - cut])
