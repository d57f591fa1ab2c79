"""Why a fixed limit or a z-score cried wolf in a healthy year: what went on in the shop at that moment."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from simulator.points import Series
from tests.bench.detection.baselines import DAY_MS
from tests.bench.detection.record import MINUTE_MS, Record

# Each of these fools a naive rule in a healthy year; a test asks it of the simulated shop.
CAUSES = (
    "water standing while the RO is off",
    "the first minutes after the RO starts",
    "the softener's regeneration",
    "tap water that changes (season, supplier)",
    "a resin bed changed, or near its change",
    "coolant going up as a pump starts, coming back as it stops",
    "a top-off",
    "a level falling by evaporation until it is topped off",
    "the tank filling and emptying",
    "another",
)
_HELD_MIN = 30.0


def _minutes_since(series: Series, to: float, at: float) -> float:
    """Minutes since a track last became `to`, however long ago; infinite when never."""
    values, minutes = series.values > 0.5, series.minutes
    changed = np.flatnonzero(np.diff(values.astype(int)) == (1 if to > 0.5 else -1)) + 1
    place = int(np.searchsorted(minutes[changed], at, side="right")) - 1
    return at - float(minutes[changed[place]]) if place >= 0 else np.inf


def cause(record: Record, instrument: str, at_ms: int) -> str:
    """The likeliest of `CAUSES`, the most particular first."""
    minute = (at_ms - record.start_ms) / MINUTE_MS
    machine, _, what = instrument.partition("_")
    if what == "level" and machine != "tank":
        return _of_sump(record, machine, minute)
    if instrument == "tank_level":
        return "the tank filling and emptying"
    running = record.series["run:ro"]
    if _minutes_since(record.series["run:regeneration"], 0.0, minute) < 180 or (
        record.series["run:regeneration"].at(np.array([minute]))[0] > 0.5
    ):
        return "the softener's regeneration"
    if running.at(np.array([minute]))[0] < 0.5:
        return "water standing while the RO is off"
    if _minutes_since(running, 1.0, minute) < _HELD_MIN:
        return "the first minutes after the RO starts"
    if instrument in ("di_ec", "di_tds", "tank_ec") and _bed_changed(record, at_ms):
        return "a resin bed changed, or near its change"
    if _tap_moved(record, minute):
        return "tap water that changes (season, supplier)"
    return "another"


def _of_sump(record: Record, machine: str, minute: float) -> str:
    pump = record.series[f"run:{machine}"]
    if min(_minutes_since(pump, to, minute) for to in (0.0, 1.0)) < 45:
        return "coolant going up as a pump starts, coming back as it stops"
    filled = record.series[f"topoff:{machine}"].at(np.array([minute - 30, minute + 5]))
    if filled[1] - filled[0] > 0.5:
        return "a top-off"
    return "a level falling by evaporation until it is topped off"


def _bed_changed(record: Record, at_ms: int) -> bool:
    changes = [ms for ms, what, _ in record.events if what == "resin"]
    worn = [line.start_ms for line in record.lines if line.fault == "worn-bed"]
    return any(abs(at_ms - ms) < 3 * DAY_MS for ms in (*changes, *worn))


def _tap_moved(record: Record, minute: float) -> bool:
    """The tap's conductivity, brought to 25 C, is 3 % off that of a day or a week before."""
    now, day, week = record.series["ec25:tap"].at(np.array([minute, minute - 1440, minute - 7 * 1440]))
    return bool(max(abs(now / day - 1), abs(now / week - 1)) > 0.03)


def by_cause(record: Record, instrument: str, alarms: NDArray[np.int64]) -> Counter[str]:
    """How many alarms each cause had."""
    return Counter(cause(record, instrument, int(at)) for at in alarms)
