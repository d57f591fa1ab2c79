"""A stretch with planted faults: what is simulated of it, which rules watch it, and what they are asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from simulator.noise import stream
from tests.bench.detection.record import Record, Spec
from tests.bench.detection.watching import Site

DAYS = 90
DAY_MS = 86_400_000
TRAIN_RULES = ("permeate-high", "ro-creep", "stuck", "silent", "instruments", "not-judged")


@dataclass(frozen=True)
class Asked:
    """One fault that is to be told, by one class of instrument.

    `told_by` are the truth's families (`simulator.truth.FAMILIES`) and `rule:ID` for alarms of one rule;
    `subject` is the truth's word. The delay counts from `from_ms`, when the fault has the size that is asked
    for; `start_ms` is when it began. An alarm may come until `until_ms`. `within_h` is what is wanted.
    `lost` says what a late alarm costs: a true series of litres, or a loss in L/h.
    """

    cell: str
    klass: str
    told_by: frozenset[str]
    subject: str
    start_ms: int
    from_ms: int
    until_ms: int
    instrument: str
    within_h: float | None = None
    lost: str | float = ""
    best: tuple[str, float] | None = None
    early: bool = False  # how long before `from_ms` it was told is what counts
    one_day: bool = False  # told in minutes


@dataclass(frozen=True)
class Window:
    """What is simulated and watched, and what is asked once it is known what was true."""

    spec: Spec
    site: Site
    asked: Callable[[Record], Sequence[Asked]]
    remember: tuple[str, ...] = ()
    more: tuple[tuple[Site, Callable[[Record], Sequence[Asked]]], ...] = field(default=())


def monday(seed: int, name: str, weeks: int = 40) -> str:
    """A day on which a window may begin: any of the Mondays of a year, drawn for the seed."""
    week = int(stream(seed, f"detection {name}").integers(0, weeks))
    return (date(2026, 1, 5) + timedelta(weeks=week)).isoformat()


def somewhen(seed: int, name: str, low: float, high: float) -> float:
    """A moment of a window in days, drawn for the seed: faults begin at random times."""
    return round(float(stream(seed, f"detection {name}").uniform(low, high)), 3)


def at(run: Record, day: float) -> int:
    """A day of a record as a time."""
    return run.start_ms + round(day * DAY_MS)


def litres_between(run: Record, series: str, begin_ms: int, end_ms: int) -> float:
    """What a true series of litres grew by."""
    minutes = np.array([begin_ms - run.start_ms, end_ms - run.start_ms]) / 60_000.0
    low, high = run.series[series].at(minutes)
    return float(high - low)
