"""What the course of a membrane's days means: the membrane, a probe to be checked, or nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from statistics import median
from typing import Any

from monitor.frozen import replace
from monitor.readings import Evidence
from monitor.rules.course import Course, Day, Doubt, Reference, Sums, course, days_to

# Nine in ten probes drift less than this many times the median (open river data: median 2 %, p90 5 %).
_NINE_IN_TEN = 2.5
# What was once told as something to check is over at this share of what it took; what was told as the
# membrane's, when the rise itself is over.
_HELD = 0.5
# Share of the change that the feed reading must account for to be the suspect, and to stay it.
_FEED_SHARE, _FEED_SHARE_HELD = 0.7, 0.35
# No sound membrane of a small unit passes more; and beyond the second something is torn, open or swapped.
_PASSAGE_QUESTIONED_PCT, _PASSAGE_BROKEN_PCT = 10.0, 20.0
# Steps of the permeate's last digit below which nothing has moved.
_COUNTS = 3.0


@dataclass(frozen=True, slots=True)
class Told:
    """What the last reading's findings said: it takes less to go on saying it than to begin."""

    direction: int = 0
    membrane: bool = False
    check: str = ""


@dataclass(frozen=True, slots=True)
class Unit:
    """What does not change while the rule is configured so."""

    permeate: str
    feed: str | None
    where: str
    stage: str
    what: Mapping[str, str]
    step_us_cm: float  # the permeate meter's last digit
    form: str
    doubt: Doubt
    drift: float  # of one probe, as a share
    limit: float | None
    limit_is: str  # `passage` (%) or `conductivity` (µS/cm)

    def permeate_us_cm(self, day: Day) -> float:
        """The permeate's conductivity on a day, at 25 °C."""
        measured = math.exp(day.measured)
        return measured if self.feed is None else measured * math.exp(day.feed) / 100.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be told now. `check` names what is to be checked, `suspect` the channel it concerns."""

    measured: float  # salt passage in %, or without a feed µS/cm
    permeate_us_cm: float
    beyond_limit: bool
    broken: bool
    high: bool  # what is taken as usual is more than a sound membrane passes
    still: str
    course: Course | None  # none while the reference is young
    membrane: bool
    check: str = ""
    suspect: str = ""

    @property
    def told(self) -> Told:
        direction = self.course.direction if self.course is not None else 0
        return Told(direction, self.membrane, self.check)


def judge(
    unit: Unit, days: tuple[Day, ...], sums: Sums, reference: Reference | None, still: str, told: Told
) -> Verdict:
    """The verdict on the days so far.

    `still` names a channel that has stopped moving, if one has: what was told stays told, and nothing new is
    learned. That it stands still is for the rule `stuck` to tell.
    """
    lately = days[-2:]
    measured = math.exp(median(day.measured for day in lately))
    permeate = median(unit.permeate_us_cm(day) for day in lately)
    against = measured if unit.limit_is == "passage" else permeate
    beyond = unit.limit is not None and against >= unit.limit
    broken = unit.feed is not None and measured >= _PASSAGE_BROKEN_PCT
    usual = measured if reference is None else math.exp(reference.measured)
    high = unit.feed is not None and usual >= _PASSAGE_QUESTIONED_PCT
    verdict = Verdict(measured, permeate, beyond, broken, high, still, None, beyond or broken)
    if reference is not None:
        found = course(days, sums, reference, unit.doubt, told.direction)
        verdict = _of_course(unit, replace(verdict, course=found), found, told)
    elif high and not verdict.membrane:
        verdict = replace(verdict, check="high")
    return verdict


def drift_line(unit: Unit) -> float:
    """The rise, in ln, up to which nine in ten probes drift by themselves."""
    return math.log1p(_NINE_IN_TEN * unit.drift)


def _of_course(unit: Unit, verdict: Verdict, found: Course, told: Told) -> Verdict:
    """Whether what the days show is a membrane, a probe to be checked, or nothing."""
    moved_us_cm = abs(verdict.permeate_us_cm * (1.0 - 1.0 / (1.0 + found.change)))
    counts = _COUNTS * (_HELD if told.membrane or told.check else 1.0)
    way = found.direction if moved_us_cm >= counts * unit.step_us_cm else 0
    line = drift_line(unit)
    beyond = way * found.unexplained
    if unit.feed is not None and not told.membrane:
        held = told.check == "feed"
        share = _FEED_SHARE_HELD if held else _FEED_SHARE
        by_feed = -way * found.feed_step >= share * abs(found.step)
        if way and by_feed and beyond > line * (_HELD if held else 1.0):
            return replace(verdict, check="feed", suspect=unit.feed)
    if way == 1 and (told.membrane or beyond > line):
        # A request for a hand meter that was out already stays out; none goes out beside the alarm.
        return replace(verdict, membrane=True, check="drift" if told.check in ("drift", "feed") else "")
    if way == 1:
        return replace(verdict, check="drift")
    if way == -1 and beyond > line * (_HELD if told.check == "fallen" else 1.0):
        return replace(verdict, check="fallen")
    return replace(verdict, check="high") if verdict.high and not verdict.membrane else verdict


def confidence(unit: Unit, verdict: Verdict) -> float:
    """How sure it is no probe's drift: drifts taken as lognormal, half of them in this direction."""
    found = verdict.course
    if found is None or not found.direction:
        return 0.9
    probes = 1 if unit.feed is None else 2
    sure = 1.0 - 0.5 * _drifts_so_far(abs(found.unexplained), unit.drift * math.sqrt(probes))
    # Without a feed probe, a flow or a probe that moves, the rest is a guess.
    firm = found.sure and unit.feed is not None and not verdict.still
    return round(min(sure, 0.97 if firm else 0.7), 3)


def _drifts_so_far(change: float, median_drift: float) -> float:
    """Share of probes that drift at least so far: lognormal, nine in ten below `_NINE_IN_TEN` medians."""
    if median_drift <= 0.0:
        return 0.0
    if change <= 0.0:
        return 1.0
    spread = math.log(_NINE_IN_TEN) / 1.2816
    return 0.5 * math.erfc(math.log(change / median_drift) / spread / math.sqrt(2.0))


def evidence_of(unit: Unit, verdict: Verdict, reference: Reference | None) -> Evidence:
    """The numbers a message is made of."""
    found: dict[str, Any] = {
        "channel": unit.permeate,
        "where": unit.where,
        "stage": unit.stage,
        "what": unit.what[unit.permeate],
        "feed": None if unit.feed is None else unit.what[unit.feed],
        "measured": verdict.measured,
        "permeate_us_cm": verdict.permeate_us_cm,
        "form": unit.form,
        "limit": unit.limit,
        "limit_is": unit.limit_is,
        "beyond_limit": verdict.beyond_limit,
        "broken": verdict.broken,
        "still": unit.what.get(verdict.still, ""),
        "probe_drift_pct": 100.0 * unit.drift,
    }
    if reference is None or verdict.course is None:
        return found
    return found | _of_reference(unit, reference, verdict.course, verdict)


def _of_reference(unit: Unit, reference: Reference, found: Course, verdict: Verdict) -> dict[str, Any]:
    usual, rate, left = math.exp(reference.measured), found.rate, None
    if unit.limit is not None and found.direction == 1:
        # A limit is passed by what is measured, the season's part included; the feed is taken to stay.
        against = verdict.measured if unit.limit_is == "passage" else verdict.permeate_us_cm
        now = verdict.measured / usual
        left = days_to(now * unit.limit / against, now, found.as_it_comes)
    return {
        "value": usual * (1.0 + found.change),
        "usual": usual,
        "change_pct": 100.0 * found.change,
        "unexplained_pct": 100.0 * math.expm1(found.unexplained),
        "doubt_pct": 100.0 * found.doubt,
        "direction": found.direction,
        "since": date.fromordinal(found.since).isoformat() if found.since else None,
        "rate_pct_week": None if rate is None else 100.0 * rate.a_week,
        "rate_low_pct_week": None if rate is None else 100.0 * rate.low,
        "rate_high_pct_week": None if rate is None else 100.0 * rate.high,
        "days": found.days,
        "days_left": None if left is None else list(left),
        "sigma_pct": 100.0 * reference.sigma,
        "phi": reference.phi,
        "reference_days": reference.days,
        "learned_until": date.fromordinal(reference.until).isoformat(),
        "sure": found.sure,
    }
