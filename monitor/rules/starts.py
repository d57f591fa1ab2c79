"""How often a contact becomes 1: the starts of the last day, and how many are usual. Short-cycling wears
pumps, valves and membranes. Shared by the rules `membrane` and `tank`.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from monitor.frozen import replace
from monitor.readings import Evidence

HOUR_MS = 3_600_000
_HOURS = 24
_DAYS_KEPT = 28
# Usual is known after so many days. Until then only what no small unit is made for is told.
LEARNED_DAYS = 10
# Common practice, no source: an RO that starts more than each half hour round the clock, or ten times within
# an hour, is short-cycling, whatever was usual.
_MOST_A_DAY, _MOST_AN_HOUR = 48, 10
# And once usual is known: three times the busiest day of the last weeks, and so many at the fewest (own
# choice).
_TIMES, _FEWEST = 3.0, 8
# What was told is over at this share of what it took.
_HELD = 0.7


@dataclass(frozen=True, slots=True)
class Starts:
    """Starts by the hour of the last 24, and by the day of the last four weeks."""

    on: bool = False
    last_ms: int = 0
    hours: tuple[tuple[int, int], ...] = ()  # hours since 1970, and starts in them
    day: int = 0  # the present day, and its starts
    today: int = 0
    days: tuple[int, ...] = ()
    told: bool = False

    @property
    def last_day(self) -> int:
        return sum(count for _, count in self.hours)

    @property
    def within_an_hour(self) -> int:
        return sum(count for hour, count in self.hours if hour >= self.last_ms // HOUR_MS - 1)

    @property
    def learned(self) -> bool:
        return len(self.days) >= LEARNED_DAYS

    @property
    def most(self) -> float:
        """Starts in 24 hours beyond which it is short-cycling."""
        if not self.learned:
            return _MOST_A_DAY
        # The second busiest: the day that a fault began in must not hide the fault.
        busiest = sorted(self.days)[-2]
        return min(max(_TIMES * busiest, _FEWEST), max(_MOST_A_DAY, 2.0 * busiest))


def seen(starts: Starts, time_ms: int, on: bool, day: int) -> Starts:
    """With one more reading of the contact, on a day of the shop's calendar (proleptic ordinal)."""
    if day != starts.day:
        # A day that short-cycles is not what is usual.
        done = starts.days if not starts.day or starts.told else (*starts.days, starts.today)[-_DAYS_KEPT:]
        # Over when a day ends that saw some starts, and few of them: a weekend without any proves nothing.
        told = starts.told and not 0 < starts.today <= _HELD * starts.most
        starts = replace(starts, day=day, today=0, days=done, told=told)
    began = on and not starts.on and starts.last_ms > 0
    hour = time_ms // HOUR_MS
    hours = starts.hours
    if began or (hours and hours[0][0] <= hour - _HOURS):
        counts = {at: count for at, count in hours if hour - _HOURS < at <= hour}
        if began:
            counts[hour] = counts.get(hour, 0) + 1
        hours = tuple(sorted(counts.items()))
    starts = replace(starts, on=on, last_ms=time_ms, hours=hours, today=starts.today + began)
    often = starts.last_day > starts.most or starts.within_an_hour > 2 * _MOST_AN_HOUR
    return replace(starts, told=True) if often and not starts.told else starts


def evidence_of(starts: Starts) -> Evidence:
    """The numbers a message is made of."""
    return {
        "starts_a_day": starts.last_day,
        "starts_an_hour": starts.within_an_hour,
        "usual_starts_a_day": median(starts.days) if starts.learned else None,
        "most_starts_a_day": starts.most,
        "learned_days": len(starts.days),
    }
