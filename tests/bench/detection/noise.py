"""The noise of healthy water and healthy sumps as a detector sees it that knows all there is to know.

From the reports of half a healthy year, gated: the logarithm of the salt passage by day, less what
temperature, flow and time explain; the litres a sump lost by working day and by quiet night, refills known
exactly, less what its running hours and the other sumps explain. What is left is fitted as AR(1).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulator.noise import Floats
from tests.bench.detection import cache
from tests.bench.detection.baselines import DAY_MS, gated
from tests.bench.detection.best import memory
from tests.bench.detection.record import MINUTE_MS, Record, Spec, record

DAYS = 182
MACHINES = tuple(f"M{n:02d}" for n in range(1, 13))
_TRAIN = ("permeate_ec", "permeate_tds", "softened_ec", "feed_temp", "permeate_flow", "di_ec")


@dataclass(frozen=True)
class Memory:
    """Noise of one series: deviation of a day, and its lag-1 correlation."""

    sigma: float
    rho: float


@dataclass(frozen=True)
class Ordinary:
    """One sump when it is well: litres lost a day, and the noise of its working days and of its nights."""

    lost_l_d: float
    day: Memory
    night: Memory
    night_h: float


@dataclass(frozen=True)
class Healthy:
    """All that is fitted: relative noise of passage by class of meter, sumps by machine."""

    passage: dict[str, Memory]
    sumps: dict[str, Ordinary]


def healthy(seed: int) -> Healthy:
    """Fitted once for a seed, then read from the cache."""
    spec = Spec(
        seed=seed,
        start="2026-02-02",
        days=DAYS,
        instruments=(*_TRAIN, *(f"{m}_level" for m in MACHINES)),
        series=("run:ro", *(f"run:{m}" for m in MACHINES), *(f"topoff:{m}" for m in MACHINES)),
    )
    name = cache.key([spec.key, cache.version(("tests/bench/detection/*.py",))])
    found: Healthy = cache.kept("noise", f"{name}.pickle", lambda: fitted(record(spec)))
    return found


def fitted(run: Record) -> Healthy:
    """The noise of a healthy record."""
    return Healthy(passage=_passage(run), sumps=_sumps(run))


def by_day(run: Record, instrument: str) -> Floats:
    """Mean of the gated reports of each day, NaN where there are too few."""
    said = gated(run, instrument, run.reported[instrument])
    day = (said.time_ms - run.start_ms) // DAY_MS
    count = np.bincount(day, minlength=run.days).astype(float)
    total = np.bincount(day, weights=said.value, minlength=run.days)
    return np.where(count >= 12, total / np.maximum(count, 1.0), np.nan)


def _passage(run: Record) -> dict[str, Memory]:
    feed, temp, flow = (by_day(run, name) for name in ("softened_ec", "feed_temp", "permeate_flow"))
    days = np.arange(run.days) / run.days
    found = {}
    for name, meter, beside in (
        ("A", "permeate_ec", (temp, temp**2, np.log(flow))),
        ("B", "permeate_tds", ()),
    ):
        passage = np.log(by_day(run, meter) / feed)
        found[name] = Memory(*memory(_residual(passage, (days, days**2, *beside))))
    return found


def _residual(values: Floats, by: tuple[Floats, ...]) -> Floats:
    """What these regressors leave of a series; days without a value are left out."""
    columns = np.column_stack([np.ones_like(values), *by])
    good = np.isfinite(values) & np.isfinite(columns).all(axis=1)
    solution = np.linalg.lstsq(columns[good], values[good], rcond=None)[0]
    return np.asarray(values[good] - columns[good] @ solution)


def _marks(run: Record, hour: float) -> NDArray[np.int64]:
    """This hour, shop's time, of each whole day of a run, in ms."""
    zone = ZoneInfo(run.shop.timezone)
    first = datetime.fromtimestamp(run.start_ms / 1000, zone).replace(hour=0, minute=0)
    moments = [first + timedelta(days=d, hours=hour) for d in range(1, run.days - 1)]
    return np.array([round(m.timestamp() * 1000) for m in moments], dtype=np.int64)


def _level_at(run: Record, machine: str, marks: NDArray[np.int64]) -> Floats:
    """Median of the quiet reports of the half hour before each moment."""
    said = gated(run, f"{machine}_level", run.reported[f"{machine}_level"])
    low, high = np.searchsorted(said.time_ms, marks - 30 * MINUTE_MS), np.searchsorted(said.time_ms, marks)
    spans = zip(low, high, strict=True)
    return np.array([np.median(said.value[a:b]) if b - a >= 3 else np.nan for a, b in spans])


def _sumps(run: Record) -> dict[str, Ordinary]:
    evening, morning = _marks(run, 23.5), _marks(run, 28.5)
    area = {m.name: m.area_m2 for m in run.shop.machines}
    whole, night, hours = {}, {}, {}
    for name in MACHINES:
        late, early = _level_at(run, name, evening), _level_at(run, name, morning)
        fill = run.series[f"topoff:{name}"]
        filled = [np.asarray(fill.at((marks - run.start_ms) / MINUTE_MS)) for marks in (evening, morning)]
        night[name] = (late - early) * area[name] + filled[1] - filled[0]
        worked = (early[:-1] - late[1:]) * area[name] + filled[0][1:] - filled[1][:-1]
        whole[name] = worked
        hours[name] = _hours_on(run, name, morning[:-1], evening[1:])
    return {name: _ordinary(name, whole, night, hours) for name in MACHINES}


def _hours_on(run: Record, machine: str, begin: NDArray[np.int64], end: NDArray[np.int64]) -> Floats:
    on = np.concatenate([[0.0], np.cumsum(run.series[f"run:{machine}"].values)])
    first, last = (((at - run.start_ms) // MINUTE_MS).astype(int) for at in (begin, end))
    return np.asarray((on[last] - on[first]) / 60.0)


def _weather(lost: dict[str, Floats], name: str) -> Floats:
    """What the other sumps lost against their usual, day by day; of sums, so that one that loses hardly any
    weighs little."""
    others = np.array([litres for m, litres in lost.items() if m != name])
    usual = np.nanmean(others, axis=1)[:, None]
    known = np.isfinite(others)
    expected = np.where(known, np.maximum(usual, 0.0), 0.0).sum(axis=0)
    return np.asarray(np.where(known, others, 0.0).sum(axis=0) / np.maximum(expected, 1e-9))


def _ordinary(
    name: str, whole: dict[str, Floats], night: dict[str, Floats], hours: dict[str, Floats]
) -> Ordinary:
    others, nights = _weather(whole, name), _weather(night, name)
    day_left = _residual(whole[name], (hours[name], others, others * hours[name]))
    night_left = _residual(night[name], (nights,))
    lost = float(np.nanmean(whole[name]) + np.nanmean(night[name]))
    return Ordinary(lost, Memory(*memory(day_left)), Memory(*memory(night_left)), 5.0)
