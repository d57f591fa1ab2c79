"""Is a sump losing more than it used to, than its neighbours do, than physics allows?

Works on days (`balance.Day`) and knows no reading. What is looked for is a steady extra loss of a given
size. For each day the litres more than expected are weighed by how well that day can tell them from ordinary
scatter, and summed (a CUSUM of log likelihood ratios). Twice: over whole days, and over the hours in which
the machine stood, where evaporation is small and a leak stands out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from monitor.frozen import replace
from monitor.rules.loss.balance import Day
from monitor.water.evaporation import evaporation_band

# Mean time between false alarms of one sump, both sums together, were the noise as measured. With the
# likelihood ratio as step, a run between false alarms is at least exp(threshold) steps (Lorden 1971).
RUN_LENGTH_DAYS = 10 * 365
THRESHOLD = math.log(2 * RUN_LENGTH_DAYS)
# One day alone, however wild, weighs no more than so many sigma, and what is looked for is never taken for
# more than so many: a leak needs three whole days (with refills, foam, hard work), or two of quiet hours.
_WILDEST, _STEEPEST = 3.0, 1.5
_WILDEST_QUIET, _STEEPEST_QUIET = 4.0, 3.0
_SUSPECT = 0.4
_BORNE_OUT = 0.5
_ALONE = 1.5
# Nights that speak against a leak by odds of twenty to one: what is lost is lost while the machine runs. From
# one job to the next drag-out changes by more than half for weeks, so then it has to double (our own choice).
_DENIED = -math.log(20.0)
_WORK_EXTRA = 1.0
_LEAST_QUIET_H = 3.0
_NIGHT_H = 8.0
_CALM_DAYS = 3
_REFILL_ERROR = 0.04  # of the litres filled in
_STEPS_OF_SENSOR = 3.0
_MOST_AT_ONCE = 7
_LEAST_SCATTER = 0.15  # share of a day's loss: no sump evaporates more evenly from day to day
# What scatter and memory are taken for until the sump's own days outweigh it: work is hard for some days and
# light for others, and no contact tells (our own choice).
_PRIOR_SCATTER = 0.35
_PRIOR_MEMORY = 0.3
_PRIOR_DAYS = 10
_NEIGHBOURS = 3
# The weather's own share, taken from neighbours, is bounded: a shop that doubles its loss is no weather.
_WEATHER = 2.0
_WEATHER_DAYS = 4
# A sump is questioned beyond this many times its neighbours' loss per surface, and beyond the physical band.
_TIMES_NEIGHBOURS = 2.5
_LET_GO = 0.8
QUESTION_DAYS = 5


@dataclass(frozen=True, slots=True)
class Usual:
    """What one sump loses when it is well, and how that scatters."""

    days: int
    on_l_h: float
    idle_l_h: float
    scatter: float  # of a day, beyond what the sensor explains, as a share of its loss
    sensor_l: float  # of a day, by the sensor
    night_l: float  # of the quiet stretches of a day
    memory: float  # variance of long sums over that of independent days

    def expected_l(self, day: Day) -> float:
        return self.on_l_h * day.on_h + self.idle_l_h * max(day.hours - day.on_h, 0.0)


def usual(days: Sequence[Day], sensor_l: float) -> Usual | None:
    """The usual loss, from days that are not under suspicion; medians, so a few odd ones do no harm."""
    known = [d for d in days if not d.odd]
    nights = [d for d in known if d.idle_h >= _LEAST_QUIET_H]
    working = [d for d in known if d.on_h >= 2.0]
    if len(known) < 3:
        return None
    idle_l_h = 0.0
    if nights:
        off_h = [d.idle_h for d in nights]
        idle_l_h = max(_mean([d.idle_l for d in nights]) * len(nights) / sum(off_h), 0.0)
    resting = [d.lost_l / d.hours for d in known if d.on_h < 0.5]
    if len(resting) >= 4:
        idle_l_h = max(0.5 * (idle_l_h + _mean(resting)), 0.0)
    ran = [d.lost_l - idle_l_h * (d.hours - d.on_h) for d in working]
    on_l_h = max(_mean(ran) / (sum(d.on_h for d in working) / len(working)), 0.0) if ran else 0.0
    first = Usual(len(known), on_l_h, idle_l_h, 0.0, sensor_l, 0.0, 1.0)
    return _with_scatter(first, known, nights, sensor_l)


def _with_scatter(first: Usual, known: list[Day], nights: list[Day], sensor_l: float) -> Usual:
    mean_l = sum(first.expected_l(d) for d in known) / len(known)
    off = [(d.lost_l - first.expected_l(d)) for d in known if first.expected_l(d) > 0.5 * mean_l]
    scatter_l = _deviation(off) if len(off) >= 5 else 0.0
    own = math.sqrt(max(scatter_l**2 - sensor_l**2, 0.0)) / mean_l if mean_l > 0 else 0.0
    weight = len(off) if len(off) >= 5 else 0
    scatter = math.sqrt((weight * own**2 + _PRIOR_DAYS * _PRIOR_SCATTER**2) / (weight + _PRIOR_DAYS))
    night = [d.idle_l - first.idle_l_h * d.idle_h for d in nights]
    # Over a quiet stretch the sensor's error is that of two means of several marks.
    night_l = max(_deviation(night) if len(night) >= 5 else 0.0, 0.5 * sensor_l, 0.2)
    rho = (_lag1(off) * len(off) + _PRIOR_MEMORY * _PRIOR_DAYS) / (len(off) + _PRIOR_DAYS)
    return Usual(
        days=first.days,
        on_l_h=first.on_l_h,
        idle_l_h=first.idle_l_h,
        scatter=max(scatter, _LEAST_SCATTER),
        sensor_l=sensor_l,
        night_l=night_l,
        memory=(1 + rho) / (1 - rho),
    )


@dataclass(frozen=True, slots=True)
class Sums:
    """The sums, and what was gathered since they left zero."""

    whole: float = 0.0
    working: float = 0.0  # as `whole`, looking for a loss that has at least doubled
    night: float = 0.0
    nights_say: float = 0.0  # all that the nights said since, for a leak (above zero) or against one
    since_ms: int = 0
    days: int = 0
    hours: float = 0.0
    lost_l: float = 0.0
    expected_l: float = 0.0
    calm: int = 0  # days in a row, while it holds, without the extra loss
    holds: bool = False


@dataclass(frozen=True, slots=True)
class Weather:
    """What neighbours say of a day: their loss as a share of their usual; standing, L/(m² h) beyond it."""

    share: float = 1.0
    standing_l_m2_h: float = 0.0
    neighbours: int = 0


def at_once(own: Usual, days: Sequence[Day]) -> int:
    """How many days are to be judged together, so that they lose enough for the sensor to see it.

    The error of a level is that of the first and the last mark, however many days lie between: a coarse
    sensor is judged by several days at once, a fine one day by day.
    """
    mean_l = sum(own.expected_l(d) for d in days) / len(days)
    return min(max(math.ceil(_STEPS_OF_SENSOR * own.sensor_l / max(mean_l, 0.1)), 1), _MOST_AT_ONCE)


def together(days: Sequence[Day], own: Usual) -> Day:
    """Days in a row as one account, each drawn in to what scatter and sensor leave possible."""
    if len(days) == 1:
        return days[0]
    lost_l = 0.0
    for day in days:
        expected_l = own.expected_l(day)
        reach_l = _WILDEST * math.hypot(own.sensor_l, own.scatter * expected_l)
        lost_l += min(max(day.lost_l, expected_l - reach_l), expected_l + reach_l)
    return days[-1]._replace(
        hours=_sum(days, "hours"),
        on_h=_sum(days, "on_h"),
        lost_l=lost_l,
        refilled_l=_sum(days, "refilled_l"),
        idle_h=_sum(days, "idle_h"),
        idle_l=_sum(days, "idle_l"),
    )


def judged(sums: Sums, new: Sequence[Day], own: Usual, weather: Weather, extra: float, m2: float) -> Sums:
    """The sums after one more day, or after several judged together; `m2` is the sump's surface."""
    day, count = together(new, own), len(new)
    expected_l = own.expected_l(day) * weather.share
    working_l_h = (8 * own.on_l_h + 16 * own.idle_l_h) / 24
    usual_l_h = max(expected_l / day.hours, 0.6 * working_l_h)
    looked_for_l_h = extra * usual_l_h
    whole_step = _whole_step(day, count, own, expected_l, looked_for_l_h)
    working_step = _whole_step(day, count, own, expected_l, max(extra, _WORK_EXTRA) * usual_l_h)
    night_step = 0.0
    if day.idle_h >= _LEAST_QUIET_H * count:
        standing_l_h = own.idle_l_h + weather.standing_l_m2_h * m2
        night_step = _night_step(day, count, own, standing_l_h, looked_for_l_h)
    whole = min(max(sums.whole + whole_step, 0.0), 2.0 * THRESHOLD)
    working = min(max(sums.working + working_step, 0.0), 2.0 * THRESHOLD)
    night = min(max(sums.night + night_step, 0.0), 2.0 * THRESHOLD)
    nights_say = min(max(sums.nights_say + night_step, -THRESHOLD), THRESHOLD)
    calm = sums.calm + 1 if day.lost_l - expected_l < 0.5 * looked_for_l_h * day.hours else 0
    if sums.holds and calm >= _CALM_DAYS and night_step <= 0.0:
        return Sums()
    if whole <= 0.0 and night <= 0.0 and not sums.holds:
        return Sums()
    after = Sums(
        whole=round(whole, 3),
        working=round(working, 3),
        night=round(night, 3),
        nights_say=round(nights_say, 3),
        since_ms=sums.since_ms or new[0].end_ms - round(new[0].hours * 3_600_000),
        days=sums.days + count,
        hours=sums.hours + day.hours,
        lost_l=sums.lost_l + day.lost_l,
        expected_l=sums.expected_l + expected_l,
        calm=calm if sums.holds else 0,
        holds=sums.holds,
    )
    return replace(after, holds=sums.holds or weight(after) > 1.0)


def weight(sums: Sums) -> float:
    """The sums against their thresholds, 1 where an alarm begins.

    Two weeks of hard work look like a leak that runs only with the machine. Where the quiet hours do not bear
    it out, all of them and not only the worst, the whole days have to say it half as strongly again; where
    they deny it, only a loss that has doubled counts.
    """
    whole = sums.working if sums.nights_say < _DENIED else sums.whole
    if sums.nights_say <= _BORNE_OUT * THRESHOLD:
        whole /= _ALONE
    return max(sums.night, whole) / THRESHOLD


def _whole_step(day: Day, count: int, own: Usual, expected_l: float, looked_for_l_h: float) -> float:
    scatter_l = own.scatter / math.sqrt(count) * expected_l
    sigma_l = math.hypot(scatter_l, own.sensor_l, _REFILL_ERROR * day.refilled_l)
    # What is called usual is itself known only so well: its standard error is given to the sump.
    unsure_l = own.scatter * expected_l * math.sqrt(own.memory / own.days)
    more_l = day.lost_l - expected_l - unsure_l
    return weighed(more_l, looked_for_l_h * day.hours, sigma_l, own.memory, count)


def _night_step(day: Day, count: int, own: Usual, standing_l_h: float, looked_for_l_h: float) -> float:
    expected_l = standing_l_h * day.idle_h
    scatter_l = own.scatter / math.sqrt(count) * expected_l
    sigma_l = math.hypot(own.night_l * math.sqrt(count), scatter_l)
    unsure_l = own.night_l * day.idle_h / (_NIGHT_H * math.sqrt(own.days))
    more_l = day.idle_l - expected_l - unsure_l
    return weighed(more_l, looked_for_l_h * day.idle_h, sigma_l, 1.0, count, quiet=True)


def marked(days: tuple[Day, ...], before: Sums, after: Sums) -> tuple[Day, ...]:
    """The days, those under suspicion marked so that nothing is learned from them.

    A suspicion that came to nothing is cleared, or only the light days would ever be called usual.
    """
    if after.holds or weight(after) > _SUSPECT:
        return tuple(d._replace(odd=True) if d.end_ms > after.since_ms else d for d in days)
    if after.days == 0 and before.days and not before.holds:
        return tuple(d._replace(odd=False) if d.end_ms > before.since_ms else d for d in days)
    return days


def weighed(
    more_l: float, looked_for_l: float, sigma_l: float, memory: float, count: int, *, quiet: bool = False
) -> float:
    """Log likelihood ratio of "this much more" against "as usual", for one day or several together."""
    wildest, steepest = (_WILDEST_QUIET, _STEEPEST_QUIET) if quiet else (_WILDEST, _STEEPEST)
    wildest, steepest = wildest * math.sqrt(count), steepest * math.sqrt(count)
    # Never steeper: half of what is looked for is always allowed, however exact the sensor.
    sigma_l = max(sigma_l * math.sqrt(memory), looked_for_l / steepest, 0.05)
    shift = looked_for_l / sigma_l
    z = min(max(more_l / sigma_l, -wildest), wildest)
    return shift * (z - 0.5 * shift)


def days_to_tell(own: Usual, extra: float, hours_on: float) -> float:
    """About how many days an extra loss of the size looked for takes to be told, on this sensor."""
    day = Day(0, 0, 24.0, hours_on, 0.0, 0.0, 24.0 - hours_on, 0.0)
    expected_l = own.expected_l(day)
    looked_for_l = extra * expected_l
    sigma_l = math.hypot(own.scatter * expected_l, own.sensor_l) * math.sqrt(own.memory)
    whole = min(looked_for_l / sigma_l, _STEEPEST) if sigma_l > 0 else 0.0
    night = min(looked_for_l * day.idle_h / 24 / own.night_l, _STEEPEST_QUIET)
    best = max(whole, night)
    return THRESHOLD / (0.5 * best * best) if best > 0 else math.inf


Neighbour = tuple[Sequence[Day], Usual | None, float]  # its days, its usual loss, its surface in m²


def weather(day: int, others: Sequence[Neighbour]) -> Weather:
    """How the neighbours' losses of these days compare with their own usual: weather, season, a slack week.

    Nothing where fewer than three can say.
    """
    shares, standing = [], []
    for days, own, surface_m2 in others:
        known = [d for d in days if day - _WEATHER_DAYS < d.day <= day]
        if own is None or own.days < 5 or not known:
            continue
        expected_l = sum(own.expected_l(d) for d in known)
        if expected_l > max(own.sensor_l, 0.5):
            shares.append(max(sum(d.lost_l for d in known), 0.0) / expected_l)
        idle_h = sum(d.idle_h for d in known)
        if idle_h >= 12.0:
            more_l = sum(d.idle_l for d in known) - own.idle_l_h * idle_h
            standing.append(more_l / (idle_h * surface_m2))
    share = min(max(_mean(shares), 1 / _WEATHER), _WEATHER) if len(shares) >= _NEIGHBOURS else 1.0
    return Weather(
        share=share,
        standing_l_m2_h=_mean(standing) if len(standing) >= _NEIGHBOURS else 0.0,
        neighbours=len(shares),
    )


@dataclass(frozen=True, slots=True)
class Question:
    """A sump beside its neighbours and beside physics, over its last days: litres a day and m² of surface."""

    holds: bool
    standing: bool  # it is the hours of standing that are out of the band
    own_l_m2: float
    neighbours_l_m2: float
    neighbours: int
    most_l_m2: float  # what physics lets this surface evaporate


def question(
    days: Sequence[Day],
    surface_m2: float,
    others: Sequence[tuple[Sequence[Day], float]],
    *,
    held: bool,
) -> Question | None:
    """Whether a sump loses more than its neighbours *and* more than its surface can evaporate.

    Needs no history: it also speaks while the reference is young, and of a leak that was always there. One
    that is `held` already is let go only well inside both bounds.
    """
    own = days[-QUESTION_DAYS:]
    if len(own) < QUESTION_DAYS:
        return None
    theirs = [(d[-QUESTION_DAYS:], m2) for d, m2 in others if len(d) >= QUESTION_DAYS]
    if len(theirs) < _NEIGHBOURS:
        return None
    run_h = _sum(own, "on_h") * 24 / max(_sum(own, "hours"), 1.0)
    answers = []
    for litres, hours, on_h in (("idle_l", "idle_h", 0.0), ("lost_l", "hours", run_h)):
        mine = _rate(own, litres, hours) / surface_m2
        neighbours = median(_rate(d, litres, hours) / m2 for d, m2 in theirs)
        most = most_evaporated_l_m2(on_h)
        enough = _sum(own, hours) >= 24.0
        bound = max(most, _TIMES_NEIGHBOURS * neighbours) * (_LET_GO if held else 1.0)
        holds = enough and mine > bound
        answers.append(Question(holds, on_h == 0.0, mine, neighbours, len(theirs), most))
    return next((a for a in answers if a.holds), answers[-1])


def most_evaporated_l_m2(on_h: float) -> float:
    """The most a square metre of sump can evaporate in a day, standing or running so many hours of it.

    A running machine wets up to four times its sump's surface, at up to 33 °C (common practice, no source).
    """
    standing = evaporation_band(1.0, 21.0, time_h_d=24.0 - on_h).high_l_d
    return standing + evaporation_band(4.0, 33.0, time_h_d=on_h).high_l_d


def _rate(days: Sequence[Day], litres: str, hours: str) -> float:
    time_h = _sum(days, hours)
    return 24 * _sum(days, litres) / time_h if time_h > 0 else 0.0


def _sum(days: Sequence[Day], name: str) -> float:
    return float(sum(getattr(d, name) for d in days))


def _mean(values: Sequence[float]) -> float:
    """Mean with the wild ones drawn in to three spreads. Days of hard work are rarer and larger than light
    ones, so that a median, or a mean of the middle, would call too little usual.
    """
    return sum(_drawn_in(values)) / len(values)


def _drawn_in(values: Sequence[float]) -> list[float]:
    middle, reach = median(values), 3.0 * _spread(values)
    if reach == 0.0:
        reach = 3.0 * sum(abs(v - middle) for v in values) / len(values)
    return [min(max(v, middle - reach), middle + reach) for v in values]


def _deviation(values: Sequence[float]) -> float:
    """Root mean square about zero, the wild ones drawn in."""
    return math.sqrt(sum(v * v for v in _drawn_in(values)) / max(len(values) - 1, 1))


def _spread(values: Sequence[float]) -> float:
    middle = median(values)
    return 1.4826 * median(abs(v - middle) for v in values)


def _lag1(values: Sequence[float]) -> float:
    if len(values) < 5:
        return 0.0
    limit = 3 * _spread(values)
    middle = median(values)
    held = [min(max(v - middle, -limit), limit) for v in values]
    total = sum(v * v for v in held)
    rho = sum(a * b for a, b in pairwise(held)) / total if total > 0 else 0.0
    return min(max(rho, 0.0), 0.7)
