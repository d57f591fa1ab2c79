"""What shops do today, on the same reports: a fixed limit, and a rolling 4-sigma z-score.

Both twice: *raw*, on every report, as a display or a controller has it, and *gated*, on reports of water that
is being made or of a level at rest only, which lends them Goodwater's own gate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.instruments import MODELS, OVER, Reported
from simulator.noise import Floats
from tests.bench.detection.record import MINUTE_MS, Record, said_parts

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
SIGMAS = 4.0
WINDOW_MS = DAY_MS
# An alarm is over, and the next one another, when nothing was wrong for so long.
APART_MS = HOUR_MS
SETTLED_MIN = {"level": 45, "": 20}
NAMES = ("limit", "limit gated", "z-score", "z-score gated")


@dataclass(frozen=True)
class Limit:
    """A fixed limit as a shop sets it: a number of the coolant's maker or of the machine's sight glass, or so
    many times what the meter showed in its first fortnight; held for ten minutes."""

    above: float | None = None
    below: float | None = None
    times_usual: float | None = None
    hold_min: float = 10.0


# By instrument; a sump's level is given in LEVELS by its machine. Numbers are those of config/demo-shop.toml.
LIMITS: Mapping[str, Limit] = {
    "tap_ec": Limit(times_usual=1.5),
    "softened_ec": Limit(times_usual=1.5),
    "permeate_ec": Limit(times_usual=2.0),
    "permeate_tds": Limit(times_usual=2.0),
    "di_ec": Limit(above=20.0),
    "di_tds": Limit(above=10.0),
    "tank_ec": Limit(above=20.0),
    "tank_level": Limit(below=300.0),
    "permeate_flow": Limit(below=1.0),
    "feed_pressure": Limit(above=12.0, below=6.0),
}
LEVELS = {
    **dict.fromkeys(("M01", "M02", "M03", "M04", "M09", "M12"), 270.0),
    **dict.fromkeys(("M05", "M06"), 250.0),
    **dict.fromkeys(("M07", "M08", "M11"), 240.0),
    "M10": 260.0,
}


def limit_of(instrument: str) -> Limit | None:
    """The limit a shop sets for an instrument, if it sets one."""
    machine, _, what = instrument.partition("_")
    if what == "level" and machine in LEVELS:
        return Limit(below=LEVELS[machine], hold_min=60.0)
    return LIMITS.get(instrument)


def starts(times: NDArray[np.int64], wrong: NDArray[np.bool_], hold_ms: float = 0.0) -> NDArray[np.int64]:
    """When alarms begin: wrong for `hold_ms` without a break, and no alarm in the hour before."""
    found: list[int] = []
    since, last_wrong = None, None
    counted = wrong | _edges(wrong)
    for at, is_wrong in zip(times[counted].tolist(), wrong[counted].tolist(), strict=True):
        if not is_wrong:
            since = None
            continue
        since = at if since is None else since
        if at - since >= hold_ms:
            if last_wrong is None or at - last_wrong > APART_MS:
                found.append(at)
            last_wrong = at
    return np.array(found, dtype=np.int64)


def _edges(wrong: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Reports just after a wrong one: where a stretch may end."""
    return np.concatenate([[False], wrong[:-1]]) if len(wrong) else wrong


def by_limit(said: Reported, limit: Limit) -> NDArray[np.int64]:
    """Alarms of a fixed limit; over range is above any limit."""
    value, above = said.value, limit.above
    if limit.times_usual is not None and len(value):
        first = said.time_ms < said.time_ms[0] + 14 * DAY_MS
        above = limit.times_usual * float(np.median(value[first]))
    wrong = np.zeros(len(value), dtype=bool)
    if above is not None:
        wrong |= (value > above) | (said.status == OVER)
    if limit.below is not None:
        wrong |= value < limit.below
    return starts(said.time_ms, wrong, limit.hold_min * MINUTE_MS)


def by_z_score(said: Reported, resolution: float) -> NDArray[np.int64]:
    """Alarms of a report more than four deviations from the mean of the day before it."""
    return starts(said.time_ms, deviations(said.time_ms, said.value, resolution) > SIGMAS)


def deviations(times: NDArray[np.int64], value: Floats, resolution: float) -> Floats:
    """How many deviations each value lies off the mean of the day before it.

    The deviation is at least one step of the display; without half a day of values before it a value lies off
    by none.
    """
    if len(value) < 2:
        return np.zeros(len(value))
    shifted = value - float(np.median(value))
    sums = np.concatenate([[0.0], np.cumsum(shifted)])
    squares = np.concatenate([[0.0], np.cumsum(shifted**2)])
    here = np.arange(len(times))
    first = np.searchsorted(times, times - WINDOW_MS)
    count = np.maximum(here - first, 1)
    mean = (sums[here] - sums[first]) / count
    variance = np.maximum((squares[here] - squares[first]) / count - mean**2, 0.0)
    deviation = np.maximum(np.sqrt(variance), resolution)
    known = (times - times[0] >= WINDOW_MS // 2) & (here - first >= 12)
    return np.asarray(np.where(known, np.abs(shifted - mean) / deviation, 0.0))


def gate_of(record: Record, instrument: str, times: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether a report is of water being made for 20 minutes, or a level whose pump was left alone for 45."""
    machine, _, what = instrument.partition("_")
    name = f"run:{machine}" if what == "level" and f"run:{machine}" in record.series else "run:ro"
    if name not in record.series:
        return np.ones(len(times), dtype=bool)
    running = record.series[name]
    settled = SETTLED_MIN["level" if name != "run:ro" else ""]
    changed = np.concatenate([[0.0], running.minutes[1:][np.diff(running.values) != 0]])
    minute = (times - record.start_ms) / MINUTE_MS
    since = minute - changed[np.maximum(np.searchsorted(changed, minute, side="right") - 1, 0)]
    is_on = running.at(minute) > 0.5
    return np.asarray((since >= settled) & (is_on if name == "run:ro" else np.ones_like(is_on)))


def gated(record: Record, instrument: str, said: Reported) -> Reported:
    """The reports that the gate lets through."""
    keep = gate_of(record, instrument, said.time_ms)
    return Reported(*(part[keep] for part in said_parts(said)))


def compared(record: Record, instrument: str) -> dict[str, NDArray[np.int64]]:
    """The alarms of each of `NAMES` on one instrument."""
    said = record.reported[instrument]
    described = next(i for i in record.shop.instruments if i.name == instrument)
    resolution = MODELS[described.model].resolution
    limit = limit_of(instrument)
    none = np.zeros(0, dtype=np.int64)
    through = gated(record, instrument, said)
    rules: dict[str, Callable[[], NDArray[np.int64]]] = {
        "limit": lambda: none if limit is None else by_limit(said, limit),
        "limit gated": lambda: none if limit is None else by_limit(through, limit),
        "z-score": lambda: by_z_score(said, resolution),
        "z-score gated": lambda: by_z_score(through, resolution),
    }
    return {name: rules[name]() for name in NAMES}


def first_after(alarms: NDArray[np.int64], begin_ms: int, end_ms: int) -> int | None:
    """The first alarm from a moment on, if there is one before the end."""
    inside = alarms[(alarms >= begin_ms) & (alarms <= end_ms)]
    return int(inside[0]) if len(inside) else None
