"""When people work: shifts, holidays, breaks and stops, so when each machine's coolant pump runs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulator.noise import Floats, correlated, stream
from simulator.shop import Shop

MINUTE_MS = 60_000
DAY_MIN = 1440


@dataclass(frozen=True)
class Calendar:
    """Minutes of a run against the shop's local days."""

    start_ms: int
    days: int
    local_minute: NDArray[np.int64]
    first_date: datetime
    open_day: NDArray[np.bool_]

    @property
    def minutes(self) -> int:
        return self.days * DAY_MIN

    @property
    def local_day(self) -> NDArray[np.int64]:
        """Index of the local day of each minute; day 0 holds the first minute of the run."""
        return np.asarray(self.local_minute // DAY_MIN)

    @property
    def year_fraction(self) -> Floats:
        """Fraction of the year (0 = 1 January) of each minute."""
        begin = self.first_date.timetuple().tm_yday - 1
        return np.asarray((begin + self.local_minute / DAY_MIN) / 365.25)


def make_calendar(shop: Shop, start_ms: int, days: int) -> Calendar:
    """Calendar of `days` days from `start_ms` (UTC); holidays are "MM-DD" or "MM-DD/MM-DD" in the shop
    file.
    """
    zone = ZoneInfo(shop.timezone)
    start = datetime.fromtimestamp(start_ms / 1000, UTC)
    local_start = start.astimezone(zone)
    first = local_start.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    offsets = np.empty(days, dtype=np.int64)
    for day in range(days):
        moment = start + timedelta(days=day, hours=12)
        offset = moment.astimezone(zone).utcoffset() or timedelta()
        offsets[day] = int(offset.total_seconds() // 60)
    utc_first = int((start.replace(tzinfo=None) - first).total_seconds() // 60)
    local = utc_first + np.arange(days * DAY_MIN, dtype=np.int64) + np.repeat(offsets, DAY_MIN)
    closed = _holidays(shop.holidays)
    total = int(local[-1] // DAY_MIN) + 2
    dates = [first + timedelta(days=index) for index in range(total)]
    open_day = np.array([(date.month, date.day) not in closed for date in dates])
    return Calendar(start_ms, days, local, first, open_day)


def _holidays(entries: tuple[str, ...]) -> set[tuple[int, int]]:
    closed: set[tuple[int, int]] = set()
    for entry in entries:
        begin, _, end = entry.partition("/")
        day = datetime.strptime(f"2024-{begin}", "%Y-%m-%d").replace(tzinfo=UTC)
        last = datetime.strptime(f"2024-{end or begin}", "%Y-%m-%d").replace(tzinfo=UTC)
        if last < day:
            last = last.replace(year=2025)
        while day <= last:
            closed.add((day.month, day.day))
            day += timedelta(days=1)
    return closed


@dataclass(frozen=True)
class Work:
    """Pump running (minute, machine), cutting load (local day, machine), hand checks and open working
    time.
    """

    pump_on: NDArray[np.bool_]
    load: Floats
    check_minute: NDArray[np.int64]
    check_machine: NDArray[np.int64]
    check_care: Floats
    staffed: NDArray[np.bool_]


STOPS = 5


def make_work(shop: Shop, calendar: Calendar, seed: int) -> Work:
    """Draw the year's work on a fixed grid of (day, shift, machine), so no fault can shift the draws."""
    rng = stream(seed, "schedule")
    days = len(calendar.open_day)
    count, shifts = len(shop.machines), len(shop.shifts)
    dice = rng.random((days, shifts, count, 6 + 2 * STOPS))
    wander = correlated(rng, (days, count), 0.25, 1.0, 3.0)
    load = np.clip(0.75 + wander, 0.15, 1.2)
    local = np.zeros((days * DAY_MIN, count), dtype=bool)
    staffed = np.zeros(days * DAY_MIN, dtype=bool)
    checks: list[tuple[int, int, float]] = []
    weekday0 = calendar.first_date.weekday()
    for day in range(days):
        if not calendar.open_day[day]:
            continue
        for index, shift in enumerate(shop.shifts):
            if (weekday0 + day) % 7 not in shift.days:
                continue
            begin = day * DAY_MIN + int(shift.begin_h * 60)
            end = day * DAY_MIN + int(shift.end_h * 60)
            staffed[begin:end] = True
            for number, machine in enumerate(shop.machines):
                if shift.name not in machine.shifts:
                    continue
                draw = dice[day, index, number]
                checks.append((begin + 5 + int(30 * draw[1]), number, draw[2]))
                if draw[0] < machine.utilisation:
                    _run_shift(local[:, number], begin, end, shift.break_min, draw)
    pick = calendar.local_minute
    position = {int(minute): k for k, minute in enumerate(pick)}
    kept = sorted((position[minute], number, care) for minute, number, care in checks if minute in position)
    minute, number_, care_ = zip(*kept, strict=True) if kept else ((), (), ())
    inside = np.minimum(pick, len(staffed) - 1)
    return Work(
        pump_on=local[inside],
        load=load,
        check_minute=np.array(minute, dtype=np.int64),
        check_machine=np.array(number_, dtype=np.int64),
        check_care=np.array(care_, dtype=float),
        staffed=staffed[inside],
    )


def _run_shift(track: NDArray[np.bool_], begin: int, end: int, break_min: float, draw: Floats) -> None:
    """Pump on through one shift of one machine, but for late starts, some breaks and a few stops."""
    first, last = begin + int(25 * draw[3] ** 2), end - int(20 * draw[4] ** 2)
    track[first:last] = True
    if draw[5] < 0.6:
        middle = (begin + end) // 2
        track[middle : middle + int(break_min)] = False
    for stop in range(STOPS):
        chance, length = draw[6 + 2 * stop], draw[7 + 2 * stop]
        if chance < 0.6:
            at = begin + int((end - begin) * chance / 0.6)
            track[at : min(end, at + int(3 - 14 * np.log(1.0 - length)))] = False
