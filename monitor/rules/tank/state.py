"""What the rule `tank` remembers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.rules.starts import Starts

HOUR_MS = 3_600_000
WEEK_H = 168


class Mark(NamedTuple):
    """A quarter of an hour: its middle, the mean of the middle half of its levels, the share the RO ran."""

    at_ms: int
    level: float
    ran: float


class Run(NamedTuple):
    """One run of the RO; levels are NaN-free only where there is a level (else -1)."""

    begin_ms: int
    end_ms: int
    begin_level: float
    end_level: float


@dataclass(frozen=True, slots=True)
class Profile:
    """Something by the hour of the week: what was seen in it, and the hours it was watched; old weeks
    fade."""

    seen: tuple[float, ...] = (0.0,) * WEEK_H
    hours: tuple[float, ...] = (0.0,) * WEEK_H


@dataclass(frozen=True, slots=True)
class Pump:
    """The RO as it runs or stands, and what it used to do."""

    on: bool | None = None
    since_ms: int = 0
    heard_ms: int = 0
    begin_level: float = -1.0
    runs: tuple[Run, ...] = ()
    first_ms: int = 0  # since when it is watched
    owed_h: float = 0.0  # hours it would usually have run since it last did
    gaps: tuple[float, ...] = ()  # the same between its former runs
    share: Profile = field(default_factory=Profile)


@dataclass(frozen=True, slots=True)
class Level:
    """The level: the present quarter of an hour, those of two days, and what is drawn in each hour of the
    week."""

    block_ms: int = 0
    values: tuple[float, ...] = ()
    heard_ms: int = 0
    ran_ms: int = 0
    marks: tuple[Mark, ...] = ()
    use: Profile = field(default_factory=Profile)
    day: int = 0
    drawn: float = 0.0  # of the present day in the hours watched, and what was expected of them
    expected: float = 0.0
    days: tuple[tuple[float, float], ...] = ()
    lows: tuple[float, ...] = ()  # lowest level of each day


@dataclass(frozen=True, slots=True)
class Quiet:
    """How fast the level falls when it falls the least, day by day, in units an hour."""

    day: int = 0
    falls: tuple[float, ...] = ()
    last: float | None = None
    suspect: int = 0  # days in a row beyond what is usual
    holds: bool = False
    since_ms: int = 0


class Closed(NamedTuple):
    """A float switch: closed or not, since when, and when it last spoke."""

    on: bool
    since_ms: int
    heard_ms: int


@dataclass(frozen=True, slots=True)
class State:
    """The tank, the RO that fills it, its floats, and what was told."""

    level: Level = field(default_factory=Level)
    pump: Pump = field(default_factory=Pump)
    quiet: Quiet = field(default_factory=Quiet)
    starts: Starts = field(default_factory=Starts)
    floats: Mapping[str, Closed] = field(default_factory=dict)
    below_ms: int = 0  # since when it is low and the RO stands
    odd_ms: int = 0  # since when float and level contradict each other
    told: Mapping[str, int] = field(default_factory=dict)  # conditions that hold, and since when
    said_ms: int = 0
    looked_ms: int = 0

    version = 1
