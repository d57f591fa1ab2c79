"""A level that falls while nobody draws: the least fall of each day, held against the days before.

Water suppliers find leaks in a district the same way, by its minimum night flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from monitor.frozen import replace
from monitor.rules.tank.books import BLOCK_MS, mean_rate
from monitor.rules.tank.state import HOUR_MS, Level, Mark, Quiet
from monitor.stats.robust import median_and_mad

# The least fall is looked for over so many hours; over the second where the RO never stands so long.
_WINDOWS_H = (3.0, 1.0)
_GAP_MS = 2 * BLOCK_MS + BLOCK_MS // 2
_DAYS_KEPT = 28
LEARNED_DAYS = 7
# Beyond usual by so many sigmas of its own days: once by the second, or two days in a row by the first.
_FAR, _VERY_FAR = 4.0, 10.0
# What was told is over at this share of what it took.
_HELD = 0.5
# Until usual is known: the tank never rests, and what it loses then is more than this share of the mean of
# the week. A shop that draws day and night does the same, so this is only a question (own choice).
NEVER_RESTS = 0.5


def least_fall(marks: Sequence[Mark], since_ms: int) -> float | None:
    """The least fall an hour over a window in which the RO stood; None where there was none."""
    for window_h in _WINDOWS_H:
        falls = []
        for stretch in _standing([m for m in marks if m.at_ms >= since_ms]):
            first = 0
            for last, mark in enumerate(stretch):
                while (mark.at_ms - stretch[first].at_ms) / HOUR_MS > window_h + 0.01:
                    first += 1
                hours = (mark.at_ms - stretch[first].at_ms) / HOUR_MS
                if hours >= window_h - 0.01 and last > first:
                    falls.append((stretch[first].level - mark.level) / hours)
        if falls:
            return min(falls)
    return None


def _standing(marks: Sequence[Mark]) -> list[list[Mark]]:
    """Stretches of marks in which the RO stood and nothing is missing."""
    found: list[list[Mark]] = []
    for mark in marks:
        near = bool(found) and mark.at_ms - found[-1][-1].at_ms <= _GAP_MS
        if mark.ran > 0.0:
            found.append([])
        elif near and found[-1]:
            found[-1].append(mark)
        else:
            found.append([mark])
        found = [stretch for stretch in found[:-1] if len(stretch) > 1] + found[-1:]
        if not found[-1]:
            found.pop()
    return found


def floor(resolution: float) -> float:
    """What a sound sensor's least fall strays by, an hour: part of its last digit over three hours."""
    return max(0.4 * resolution, 0.3)


def judged(quiet: Quiet, level: Level, day: int, now_ms: int, resolution: float) -> Quiet:
    """A day's least fall judged, once a day at noon."""
    if day == quiet.day:
        return quiet
    quiet = replace(quiet, day=day)
    fall = least_fall(level.marks, now_ms - 24 * HOUR_MS)
    if fall is None:
        return quiet
    usual, sigma = of(quiet, resolution)
    held = _HELD if quiet.holds else 1.0
    restless = fall > held * NEVER_RESTS * mean_rate(level.use) and fall > _VERY_FAR * floor(resolution)
    if len(quiet.falls) < LEARNED_DAYS:
        suspect = quiet.suspect + 1 if restless and quiet.falls else 0
    else:
        beyond = (fall - usual) / sigma
        suspect = 2 if beyond > held * _VERY_FAR else quiet.suspect + 1 if beyond > held * _FAR else 0
        # What was learned as usual may be a leak that was there from the start: it stays asked about.
        suspect = max(suspect, 2) if restless else suspect
    holds = suspect >= 2
    since_ms = quiet.since_ms if quiet.holds else now_ms - 24 * HOUR_MS
    # What is under suspicion is not what is usual.
    learn = suspect == 0 or restless or len(quiet.falls) < LEARNED_DAYS
    falls = (*quiet.falls, fall)[-_DAYS_KEPT:] if learn else quiet.falls
    return replace(quiet, falls=falls, last=fall, suspect=suspect, holds=holds, since_ms=since_ms)


def of(quiet: Quiet, resolution: float) -> tuple[float, float]:
    """The usual least fall, and its sigma by its own days."""
    if not quiet.falls:
        return 0.0, floor(resolution)
    usual, mad = median_and_mad(quiet.falls)
    return usual, max(mad / 0.6745, floor(resolution))


def steady_fall(marks: Sequence[Mark], hours: int, resolution: float) -> float | None:
    """The fall an hour over the last hours, if the RO stood and each half hour fell alike: nobody draws so
    evenly."""
    if not marks or marks[-1].ran > 0.0 or marks[-1].level >= marks[max(len(marks) - 3, 0)].level:
        return None
    halves = [m for m in marks[-5 * hours :] if m.at_ms >= marks[-1].at_ms - hours * HOUR_MS][::2]
    if len(halves) < 2 * hours or any(m.ran > 0.0 for m in halves):
        return None
    if any(b.at_ms - a.at_ms > _GAP_MS for a, b in pairwise(halves)):
        return None
    falls = [a.level - b.level for a, b in pairwise(halves)]
    middle = median(falls)
    alike = all(abs(fall - middle) <= 0.35 * middle + resolution for fall in falls)
    return 2.0 * middle if middle > 0.0 and alike else None
