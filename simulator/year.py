"""Run a shop: from a description, a fault script and a seed to what was true and what was reported."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from simulator.air import make_air
from simulator.faults import Fault, make_faults, sump_faults, train_faults
from simulator.instruments import Reported, Sample, report
from simulator.noise import Floats, correlated, stream
from simulator.points import Truth
from simulator.schedule import DAY_MIN, MINUTE_MS, Calendar, Work, make_calendar, make_work
from simulator.shop import Shop, ShopError, load_shop
from simulator.sump import mix_sumps, run_sumps, water_drawn_l_min
from simulator.tap import make_tap
from simulator.train import Train
from simulator.truth import Expected, expected_alarms, natural_gaps


@dataclass(frozen=True)
class Run:
    """One simulated stretch of a shop's life.

    `series` holds what was true, by name (see `Truth.names`); `reported` what each instrument said;
    `truth` the ground truth of the faults; `events` what people did and what ran by itself, (ms, what, text).
    """

    shop: Shop
    faults: tuple[Fault, ...]
    seed: int
    start_ms: int
    days: int
    series: Truth
    events: tuple[tuple[int, str, str], ...]

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.days * DAY_MIN * MINUTE_MS

    @cached_property
    def reported(self) -> dict[str, Reported]:
        """Reports by instrument name."""
        return {
            item.name: report(item, self.series, self.faults, self.start_ms, self.days * DAY_MIN, self.seed)
            for item in self.shop.instruments
        }

    @cached_property
    def gaps(self) -> tuple[Expected, ...]:
        """Stretches in which a sound instrument was not heard, and may be reported as silent."""
        planted = {fault.target for fault in self.faults if fault.kind == "dropout"}
        return tuple(gap for gap in natural_gaps(self.shop, self.reported) if gap.subject not in planted)

    @cached_property
    def truth(self) -> tuple[Expected, ...]:
        """What the faults are and which alarms are to be expected of a perfect watch."""
        return expected_alarms(self.shop, self.faults, self.series, self.start_ms, self.end_ms)

    def samples_between(self, begin_ms: int, end_ms: int) -> Iterator[Sample]:
        """Reports sent in begin <= time < end, in order of sending; equal times in order of instrument
        name.
        """
        found: list[Sample] = []
        for name, said in self.reported.items():
            low, high = (int(np.searchsorted(said.time_ms, edge)) for edge in (begin_ms, end_ms))
            found.extend(
                Sample(
                    int(said.time_ms[k]), name, int(said.own_ms[k]), float(said.value[k]), int(said.status[k])
                )
                for k in range(low, high)
            )
        found.sort(key=lambda sample: (sample.sent_ms, sample.instrument))
        return iter(found)

    def latest(self, name: str, at_ms: int) -> Sample | None:
        """The instrument's last report at or before a moment, None before its first."""
        said = self.reported[name]
        index = bisect_left(said.time_ms, at_ms + 1) - 1
        if index < 0:
            return None
        return Sample(
            int(said.time_ms[index]),
            name,
            int(said.own_ms[index]),
            float(said.value[index]),
            int(said.status[index]),
        )


def _start_ms(start: str | datetime | int) -> int:
    if isinstance(start, int):
        moment = start
    else:
        try:
            when = datetime.fromisoformat(start) if isinstance(start, str) else start
        except ValueError as error:
            raise ShopError(f"start {start!r} is not an ISO 8601 date or time") from error
        moment = round((when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp() * 1000)
    if moment % (60 * MINUTE_MS):
        raise ShopError(f"start {start!r}: a run begins on a whole hour (UTC)")
    return moment


def simulate(
    shop: Shop | str | Path,
    faults: Iterable[Mapping[str, Any] | Fault] = (),
    seed: int = 1,
    start: str | datetime | int = "2025-01-06",
    days: int = 30,
) -> Run:
    """Simulate `days` whole days of a shop from `start` (UTC, whole hour). The same arguments give the
    same run.
    """
    if days < 1:
        raise ShopError(f"days must be at least 1, found {days}")
    described = shop if isinstance(shop, Shop) else load_shop(shop)
    start_ms = _start_ms(start)
    scripted = make_faults(faults, described, start_ms)
    calendar = make_calendar(described, start_ms, days)
    work = make_work(described, calendar, seed)
    air = make_air(described.climate, calendar, work, seed)
    sumps = run_sumps(
        described, calendar, work, air, sump_faults(scripted, described, start_ms, calendar.minutes), seed
    )
    acting = train_faults(scripted, start_ms, calendar.minutes // 60)
    tap = make_tap(described.tap, calendar, acting.blend_shift, seed)
    drawn = water_drawn_l_min(described, sumps) + _rinse_l_min(described, calendar, work, seed)
    train = Train(described, calendar, tap, acting, seed).run(drawn)
    mix_sumps(described, sumps, _delivered(train.tank_hour, tap.water, train.bypass_l, drawn), seed)
    series = Truth(described, calendar, work, air, tap, train, sumps, drawn)
    return Run(described, scripted, seed, start_ms, days, series, tuple(train.events))


def _rinse_l_min(shop: Shop, calendar: Calendar, work: Work, seed: int) -> Floats:
    """Treated water drawn for rinsing and washing: in bursts while people work, more on some days than
    others.
    """
    rng = stream(seed, "rinse")
    day = np.exp(correlated(rng, (len(calendar.open_day),), 0.25, 1.0, 2.0))[calendar.local_day]
    slots = rng.random(calendar.minutes // 10 + 1)
    burst = np.repeat(slots < 0.2, 10)[: calendar.minutes] & work.staffed
    minutes_a_day = 16 * 60 * 0.2
    return np.asarray(np.where(burst, shop.demand.rinse_l_day / minutes_a_day, 0.0) * day)


def _delivered(tank: Floats, tap: Floats, bypass_l: Floats, drawn: Floats) -> Floats:
    """Water that reaches the sumps by the hour: from the tank, or raw from the bypass when the tank
    was empty.
    """
    raw = bypass_l.reshape(-1, 60).sum(axis=1)
    share = np.clip(raw / np.maximum(drawn.reshape(-1, 60).sum(axis=1), 1e-9), 0.0, 1.0)[:, None]
    return np.asarray((1.0 - share) * tank + share * tap)
