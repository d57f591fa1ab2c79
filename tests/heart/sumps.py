"""Sumps of the demonstration's shop with a scripted life, for the tests of rule `loss`."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from monitor.readings import Event, Sample, Tick
from tests.bench.judge import site_of
from tests.heart.shop import Heart

MINUTE_MS = 60_000
HOUR = 60  # minutes
DAY = 24 * HOUR
# Monday 2026-06-01 00:00 UTC
MONDAY_MS = 1_780_272_000_000

RULE = """
[[rule]]
kind = "loss"
id = "loss"
priority = "medium"
"""


def heart(rule: str = RULE) -> Heart:
    """A watch over the sumps of the demonstration's shop by this rule alone."""
    return Heart(site_of(rule))


@dataclass
class Scripted:
    """One sump: works 05 to 13 UTC on weekdays, with 40 L in circulation; loses what it is told to.

    `litres` gives what comes in (positive) or goes beyond the ordinary, L in the five minutes that begin at a
    minute since Monday; `shown` what the sensor makes of the true level at a minute.
    """

    sump: str
    surface_m2: float
    on_l_h: float = 0.8
    idle_l_h: float = 0.06
    circulation_l: float = 40.0
    every_min: int = 5
    litres: Callable[[int], float] = lambda minute: 0.0
    shown: Callable[[int, float], float] = lambda minute, level_mm: level_mm
    pump: bool = True
    told_late_min: int = 0  # by how much the contact's value is old when it comes
    volume_l: float = 280.0
    seed: int = 1
    chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)

    def runs(self, minute: int) -> bool:
        return minute // DAY % 7 < 5 and 5 * HOUR <= minute % DAY < 13 * HOUR

    def events(self, first: int, last: int) -> Iterator[Sample]:
        """Samples of level and pump; what the sump holds goes on from call to call."""
        for minute in range(first, last, self.every_min):
            on = self.runs(minute)
            per_h = self.on_l_h if on else self.idle_l_h
            self.volume_l += self.litres(minute) - per_h * self.every_min / 60
            # Up within ten minutes of the start, back within ten of the stop.
            up = [self.runs(minute - past) for past in (0, 5)]
            in_sump_l = self.volume_l - self.circulation_l * sum(up) / 2
            level_mm = self.shown(minute, in_sump_l / self.surface_m2 + self.chance.gauss(0.0, 0.4))
            at_ms = MONDAY_MS + minute * MINUTE_MS
            yield Sample(f"{self.sump}.level", float(round(level_mm)), at_ms, at_ms)
            if self.pump:
                yield Sample(f"{self.sump}.pump", float(self.runs(minute - self.told_late_min)), at_ms, at_ms)


def lived(sumps: list[Scripted], first: int, last: int) -> Iterator[Event]:
    """All that these sumps report, in order of time, with a tick each hour."""
    for hour in range(first, last, HOUR):
        told = [s for sump in sumps for s in sump.events(hour, min(hour + HOUR, last))]
        yield from sorted(told, key=lambda sample: sample.arrival_ms)
        yield Tick(MONDAY_MS + min(hour + HOUR, last) * MINUTE_MS)
