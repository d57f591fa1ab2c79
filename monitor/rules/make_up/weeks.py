"""What went into a sump week by week, and whether the last weeks are more than usual.

People top off in lumps of a can or a hose's few minutes, so a single week says little: so many weeks are held
together that about four top-offs are to be expected in them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

KEPT = 30
FEWEST = 6
_MOST_TOGETHER = 6
_TOP_OFFS = 4.0
# A week's use scatters by so much besides the lumps: weather, work, who tops off when (our own choice).
_SCATTER = 0.25
_MONTH = 4
# Share of top-offs that may not have been written down (our own choice).
_FORGOTTEN = 0.15
_SURE, _STILL = 3.0, 1.5
FEWEST_NEIGHBOURS = 3
# So many times a neighbour's use for its surface and hours is asked about.
TIMES_NEIGHBOURS = 2.5


class Week(NamedTuple):
    """One week of a sump: litres in, hours its pump ran, top-offs told, and whether it was told of."""

    week: int
    litres: float
    hours: float
    top_offs: int
    odd: bool = False  # not learned from


@dataclass(frozen=True, slots=True)
class Verdict:
    """The last weeks of a sump held against what was to be expected."""

    weeks: int
    litres: float
    expected_l: float
    hours: float
    usual_l_h: float  # its own usual, litres in an hour worked
    usual_l_week: float
    shop: float  # what its neighbours took these weeks, as a multiple of their usual
    neighbours: int
    sure: float  # how many standard deviations beyond it

    @property
    def times(self) -> float:
        """How many times as much as expected."""
        return self.litres / self.expected_l


def of_hours(week: Week) -> float:
    """Hours to divide by: a machine that stood still evaporates, too, at about a sixth (our own choice)."""
    return week.hours + (168.0 - week.hours) / 6.0


def usual_l_h(past: Sequence[Week]) -> float | None:
    """Litres in an hour worked, by the weeks that are learned from; None while there are too few."""
    learned = [week for week in past if not week.odd]
    if len(learned) < FEWEST:
        return None
    rate = sum(w.litres for w in learned) / sum(of_hours(w) for w in learned)
    # Some weeks of a leak that was not told of must not become usual; single weeks of a seldom filled sump
    # are all or nothing, so they are taken by the month.
    months = [learned[k : k + _MONTH] for k in range(0, len(learned) - _MONTH + 1, _MONTH)]
    if len(months) >= 3:
        by_month = [sum(w.litres for w in m) / sum(of_hours(w) for w in m) for m in months]
        rate = min(rate, 1.3 * float(median(by_month)))
    return rate if rate > 0.0 else None


def together(past: Sequence[Week], usual: float) -> int:
    """How many weeks are judged at once."""
    lump, week_l = lump_l(past), usual * sum(of_hours(w) for w in past) / len(past)
    return min(max(math.ceil(_TOP_OFFS * lump / week_l), 2), _MOST_TOGETHER)


def lump_l(weeks: Sequence[Week]) -> float:
    """Litres of one top-off; of a metered valve a small one."""
    told = sum(week.top_offs for week in weeks)
    litres = sum(week.litres for week in weeks)
    return litres / told if told else 0.02 * litres


def shop_factor(others: Mapping[str, Sequence[Week]], weeks: int, since_week: int) -> tuple[float, int]:
    """What the others took in these weeks as a multiple of their own usual, and how many they are."""
    found = []
    for known in others.values():
        past = [w for w in known if w.week < since_week]
        usual = usual_l_h(past)
        last = [w for w in known if w.week >= since_week][-weeks:]
        if usual is not None and last:
            found.append(sum(w.litres for w in last) / (usual * sum(of_hours(w) for w in last)))
    if len(found) < FEWEST_NEIGHBOURS:
        return 1.0, len(found)
    # Sumps differ in how they answer a season: what they share is taken into account by two thirds.
    return min(max(float(median(found)), 0.4), 2.5) ** (2.0 / 3.0), len(found)


def verdict(known: Sequence[Week], others: Mapping[str, Sequence[Week]]) -> Verdict | None:
    """The newest weeks of a sump against those before them; None while too little is known."""
    usual = usual_l_h(known[:-2])
    if usual is None:
        return None
    past, last = known, known
    for _ in range(2):  # how many weeks are held together depends on the weeks before them
        count = together(past, usual)
        past, last = known[:-count], known[-count:]
        again = usual_l_h(past)
        if again is None:
            return None
        usual = again
    shop, neighbours = shop_factor(others, len(last), last[0].week)
    hours = sum(of_hours(w) for w in last)
    expected = max(usual * hours * shop, 1e-9)
    litres = sum(w.litres for w in last)
    deviation = _deviation_l(expected, lump_l(past))
    usual_week = usual * sum(of_hours(w) for w in past) / len(past)
    return Verdict(
        len(last), litres, expected, sum(w.hours for w in last), usual, usual_week, shop, neighbours,
        (litres - expected) / deviation,
    )  # fmt: skip


def _deviation_l(expected_l: float, lump: float) -> float:
    """What the litres of some weeks may scatter: part of a lump at either end, top-offs that nobody wrote
    down, and work."""
    return math.sqrt(lump**2 / 3.0 + _FORGOTTEN * expected_l * lump + (_SCATTER * expected_l) ** 2)


def is_more(found: Verdict, more: float, *, held: bool) -> bool:
    """More than usual by a share, and surely so; an alarm that stands goes when neither is near any more."""
    if held:
        return found.times >= 1.0 + 0.5 * more and found.sure >= _STILL
    return found.times >= 1.0 + more and found.sure >= _SURE


def beside_neighbours(
    known: Mapping[str, Sequence[Week]], surfaces: Mapping[str, float], name: str
) -> tuple[float, int] | None:
    """Litres for its surface and hours as a multiple of the neighbours' middle, over the last eight weeks,
    and how many neighbours; None where it cannot be told."""
    rates = {}
    for sump, weeks in known.items():
        last, surface = weeks[-8:], surfaces.get(sump)
        if surface and len(last) >= 4 and sum(w.litres for w in last) > 0.0:
            rates[sump] = sum(w.litres for w in last) / sum(of_hours(w) for w in last) / surface
    others = [rate for sump, rate in rates.items() if sump != name]
    if name not in rates or len(others) < FEWEST_NEIGHBOURS:
        return None
    return rates[name] / float(median(others)), len(others)
