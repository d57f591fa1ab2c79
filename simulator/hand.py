"""What people read and write down at the sumps: top-offs, refractometer, pH, smell, floating oil, hardness.

People round, forget, read a little off and smell what is not there. Coolant that goes bad is here, too: a
sump's biology grows for a fortnight, eats the pH, then smells; it is planted as an `Episode`, and touches
nothing that an instrument on a wire reports.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulator.noise import Floats, correlated, stream
from simulator.schedule import DAY_MIN, MINUTE_MS
from simulator.sump import STEP_MIN, Sumps, mix_sumps
from simulator.year import Run

DAY_MS = DAY_MIN * MINUTE_MS
# A fill that goes on within half an hour is one top-off.
_ONE_FILL_STEPS = 6
_CHECKED_AT_MIN = 7 * 60


@dataclass(frozen=True)
class Note:
    """One thing written down: a top-off (L), brix, ph, smell, tramp-oil (0 to 3) or hardness (mg/L)."""

    time_ms: int
    machine: str
    what: str
    value: float


@dataclass(frozen=True)
class Habits:
    """How well a shop keeps its book."""

    forgets: float = 0.1  # share of top-offs that nobody writes down
    litres_off: float = 0.1  # standard deviation of the rest, as a share
    rounds_l: float = 5.0
    every_days: int = 7  # refractometer, pH, smell, oil
    skips: float = 0.08  # share of checks that are left out
    factor_pct_brix: float = 1.3
    zero_brix: float = 0.2  # what the refractometer shows on the shop's own water
    brix_off: float = 0.15
    ph_off: float = 0.05
    smells_wrongly: float = 0.02  # share of checks at which a sound sump is said to smell a little
    hardness_days: int = 30  # 0: nobody tests the sumps
    hardness_off: float = 0.12


@dataclass(frozen=True)
class Episode:
    """Biology in one sump from `start_ms`; treated, and well again within days, from `end_ms` on."""

    machine: str
    start_ms: int
    end_ms: int
    ph_lost: float = 0.8  # in full growth

    def grown(self, time_ms: int) -> float:
        """How far it has come, 0 to 1: half after ten days; gone within three days of the end."""
        days = (time_ms - self.start_ms) / DAY_MS
        if days < 0.0:
            return 0.0
        after = max(time_ms - self.end_ms, 0) / DAY_MS
        return max(1.0 / (1.0 + math.exp(-(days - 10.0) / 2.2)) - 0.011, 0.0) * math.exp(-after)

    def visible_ms(self, ph: float = 0.3) -> int | None:
        """When the pH is down by so much; None when it never gets so far."""
        for hour in range((self.end_ms - self.start_ms) // 3_600_000):
            at_ms = self.start_ms + hour * 3_600_000
            if self.ph_lost * self.grown(at_ms) >= ph:
                return at_ms
        return None


def on_other_water(run: Run, ions: Floats) -> Sumps:
    """The same sumps, topped off with another water (hour, ion) than the shop's own: what would have been."""
    sumps = replace(run.series.sumps)
    mix_sumps(run.shop, sumps, ions, run.seed)
    return sumps


def ph_of(run: Run, machine: int, episodes: Iterable[Episode]) -> Floats:
    """A sump's pH by the day: its own usual, a slow wander, what concentration and biology do."""
    rng = stream(run.seed, f"hand:ph:{machine}")
    usual = 9.1 + 0.2 * rng.standard_normal()
    wander = correlated(rng, (run.days,), 0.04, 1.0, 15.0)
    strength = run.series.sumps.concentrate_pct[23::24, machine]
    wanted = run.shop.machines[machine].concentrate_pct
    lost = np.zeros(run.days)
    for episode in episodes:
        if episode.machine == run.shop.machines[machine].name:
            noon = [run.start_ms + day * DAY_MS + DAY_MS // 2 for day in range(run.days)]
            lost += episode.ph_lost * np.array([episode.grown(at_ms) for at_ms in noon])
    return np.asarray(usual + wander + 0.04 * (strength - wanted) - lost)


def notes(
    run: Run,
    episodes: Sequence[Episode] = (),
    habits: Habits | None = None,
    sumps: Sumps | None = None,
) -> list[Note]:
    """The book of a run in order of time. Each machine draws from streams of its own."""
    habits = habits or Habits()
    found: list[Note] = []
    for index, machine in enumerate(run.shop.machines):
        if machine.topoff == "hand":
            found += _top_offs(run, index, habits)
        found += _checks(run, index, episodes, habits)
        found += _hardness(run, index, habits, sumps or run.series.sumps)
    return sorted(found, key=lambda note: (note.time_ms, note.machine, note.what))


def _top_offs(run: Run, machine: int, habits: Habits) -> Iterator[Note]:
    rng = stream(run.seed, f"hand:top-off:{machine}")
    filled = run.series.sumps.filled_l[:, machine]
    steps = np.flatnonzero(filled > 0.0)
    if not len(steps):
        return
    for fill in np.split(steps, np.flatnonzero(np.diff(steps) > _ONE_FILL_STEPS) + 1):
        forgotten, off = rng.random(), rng.standard_normal()
        litres = filled[fill].sum() * (1.0 + habits.litres_off * off)
        rounded = max(round(litres / habits.rounds_l), 1) * habits.rounds_l
        if forgotten >= habits.forgets:
            at_ms = run.start_ms + int(fill[-1] + 1) * STEP_MIN * MINUTE_MS
            yield Note(at_ms, run.shop.machines[machine].name, "top-off", float(rounded))


def _checks(run: Run, machine: int, episodes: Sequence[Episode], habits: Habits) -> Iterator[Note]:
    rng = stream(run.seed, f"hand:check:{machine}")
    name = run.shop.machines[machine].name
    ph = ph_of(run, machine, episodes)
    oil = np.clip(0.6 + correlated(rng, (run.days,), 0.5, 1.0, 30.0), 0.0, 3.0)
    strength = run.series.sumps.concentrate_pct
    for day in range(machine % habits.every_days, run.days, habits.every_days):
        skipped, wrong = rng.random(), rng.random()
        brix_off, ph_off = rng.standard_normal(2)
        if skipped < habits.skips:
            continue
        at_ms = run.start_ms + day * DAY_MS + _CHECKED_AT_MIN * MINUTE_MS
        hour = day * 24 + _CHECKED_AT_MIN // 60
        brix = (
            strength[hour, machine] / habits.factor_pct_brix + habits.zero_brix + habits.brix_off * brix_off
        )
        grown = max((e.grown(at_ms) for e in episodes if e.machine == name), default=0.0)
        smell = 3.0 if grown > 0.95 else 2.0 if grown > 0.7 else 1.0 if grown > 0.4 else 0.0
        if wrong < habits.smells_wrongly:
            smell = max(smell, 1.0)
        yield Note(at_ms, name, "brix", round(max(brix, 0.0), 1))
        yield Note(at_ms + 60_000, name, "ph", round(float(ph[day]) + habits.ph_off * ph_off, 1))
        yield Note(at_ms + 120_000, name, "smell", smell)
        yield Note(at_ms + 180_000, name, "tramp-oil", float(round(oil[day])))


def _hardness(run: Run, machine: int, habits: Habits, sumps: Sumps) -> Iterator[Note]:
    if not habits.hardness_days:
        return
    rng = stream(run.seed, f"hand:hardness:{machine}")
    for day in range(7 + machine % 7, run.days, habits.hardness_days):
        true = sumps.hardness_mg_l[day * 24 + 8, machine]
        read = true * math.exp(habits.hardness_off * rng.standard_normal())
        at_ms = run.start_ms + day * DAY_MS + 8 * 60 * MINUTE_MS
        yield Note(at_ms, run.shop.machines[machine].name, "hardness", float(round(read)))
