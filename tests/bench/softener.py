"""How soon a softener that no longer softens is told, and how often a sound one is: `python -m
tests.bench.softener`.

Simulated shops, each of a seed of its own; the fault begins somewhere within a cycle. A *period* is the mean
time between two regenerations of the same shop without the fault. Told by what the shop has: a contact on the
valve, a sensor over the salt, a stick on working days or once a week, bags of salt in the log, or the weekly
drop test alone.
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from monitor.readings import Event, Tick
from simulator.faults import DAY_MS
from simulator.hands import Hands
from simulator.noise import correlated, stream
from simulator.shop import Shop, load_shop
from simulator.year import Run, simulate
from tests.heart.shop import Heart
from tests.heart.soft_water import done, heart, read, seen

_RULE = '[[rule]]\nkind = "softener"\nid = "softener"\nstage = "softener"\n'
_SURFACE = 'salt_surface = "0.16 m2"\n'
OUTFITS = {
    "test": 'hardness = "soft.hardness"\n',
    "contact": 'litres = "soft.litres"\nregenerating = "soft.regenerating"\n',
    "sensor": 'litres = "soft.litres"\nsalt = "brine.mm"\n' + _SURFACE,
    "stick": 'litres = "soft.litres"\nsalt = "brine.stick"\n' + _SURFACE,
    "weekly stick": 'litres = "soft.litres"\nsalt = "brine.stick"\n' + _SURFACE,
    "contact and sensor": 'litres = "soft.litres"\nregenerating = "soft.regenerating"\nsalt = "brine.mm"\n'
    + _SURFACE,
    "bags": 'litres = "soft.litres"\n',
}
FAULTS = ("softener_stopped", "softener_timer", "sound")
_EVERY_MIN = 60


def small(shop: Shop) -> Shop:
    """The same train with one machine: what the others draw is drawn as rinse."""
    return dataclasses.replace(
        shop,
        machines=shop.machines[:1],
        instruments=(),
        demand=dataclasses.replace(shop.demand, rinse_l_day=420.0),
    )


def simulated(seed: int, days: int, fault: str = "", start_day: float = 0.0) -> Run:
    """A run of the small shop, its year begun at a season of the seed's own."""
    script = [{"kind": fault, "start_day": start_day}] if fault else []
    start_ms = 1_767_571_200_000 + (seed * 37 % 52) * 7 * DAY_MS  # a Monday from 2026-01-05 on
    return simulate(small(load_shop("hall3")), script, seed, start_ms, days)


def events(run: Run, outfit: str) -> Iterator[Event]:
    """What the watch is told of a run, in order."""
    hands, minutes = Hands(run), np.arange(0, run.days * 1440, _EVERY_MIN)
    at = minutes.astype(float)
    litres = np.round(run.series["total:feed"].at(at))
    regenerates = run.series["run:regeneration"].at(at)
    noise = correlated(stream(run.seed, "brine sensor"), (len(at),), 2.5, float(_EVERY_MIN), 180.0)
    height = np.round(np.maximum(hands.salt_mm.at(at) + noise, 0.0))
    told: list[tuple[int, int, Event]] = []
    for k, minute in enumerate(minutes):
        now = run.start_ms + int(minute) * 60_000
        if outfit != "test":
            told.append((now, 0, seen("soft.litres", now, float(litres[k]))))
        if "contact" in outfit:
            told.append((now, 1, seen("soft.regenerating", now, float(regenerates[k]))))
        if "sensor" in outfit:
            told.append((now, 2, seen("brine.mm", now, float(height[k]))))
        told.append((now + 1, 3, Tick(now + 60_000)))
    if outfit == "test":
        told += [(ms, 4, read("soft.hardness", ms, value)) for ms, value in hands.hardness_tests()]
    if "stick" in outfit:
        every = 5 if outfit.startswith("weekly") else 1
        told += [(ms, 4, read("brine.stick", ms, mm)) for ms, mm in hands.salt_readings(every)]
    if outfit in ("bags", "stick", "weekly stick"):
        told += [(ms, 5, done("salt", "softener", ms, kg)) for ms, kg in hands.salt_fills]
    return (event for _, _, event in sorted(told, key=lambda one: one[:2]))


def judged(run: Run, outfit: str, folder: Path) -> Heart:
    """The watch after all of a run."""
    watched = heart(folder, _RULE + OUTFITS[outfit])
    for event in events(run, outfit):
        watched.see(event)
    return watched


def raised(watched: Heart) -> list[tuple[str, int]]:
    """What became an alarm: condition and time."""
    return [(t.condition, t.time_ms) for t in watched.transitions if t.cause == "raised"]


@dataclass(frozen=True)
class Told:
    """One faulty run: when it began, the shop's own period, and the first alarm from then on."""

    seed: int
    begin_ms: int
    period_ms: float
    first_ms: int | None
    early: int  # alarms before the fault
    hard_ms: int | None  # when the true hardness behind the softener passed 20 mg/L
    cycles: float  # what ran from the fault until it was told, in the shop's own litres between regenerations
    tests_late: int | None  # drop tests from then on until it was told, 1 being the first

    @property
    def periods(self) -> float:
        return float("inf") if self.first_ms is None else (self.first_ms - self.begin_ms) / self.period_ms


def period_ms(run: Run, until_ms: int) -> float:
    times = [ms for ms, what, _ in run.events if what == "regeneration" and ms < until_ms]
    return float(np.mean(np.diff(times)))


def cycles_between(run: Run, begin_ms: int, end_ms: int | None) -> float:
    """Litres between two times in those of a sound cycle: a shop that is closed regenerates nothing."""
    if end_ms is None:
        return float("inf")
    times = [ms for ms, what, _ in run.events if what == "regeneration" and ms < begin_ms]
    minutes = np.array([(ms - run.start_ms) / 60_000 for ms in (*times, begin_ms, end_ms)])
    litres = run.series["total:feed"].at(minutes)
    return float((litres[-1] - litres[-2]) / np.mean(np.diff(litres[:-2])))


def measured(seed: int, fault: str, outfit: str, days: int, begin_day: float, run: Run | None = None) -> Told:
    """One seed's delay; the fault begins at `begin_day` and a part of a week that is the seed's own."""
    begin = begin_day + float(stream(seed, "bench begin").random()) * 7.0
    run = run or simulated(seed, days, fault, begin)
    begin_ms = run.start_ms + round(begin * DAY_MS)
    with tempfile.TemporaryDirectory() as folder:
        alarms = raised(judged(run, outfit, Path(folder)))
    hard = run.series["hardness:softened"]
    beyond = np.nonzero((hard.values > 20.0) & (hard.minutes > (begin_ms - run.start_ms) / 60_000))[0]
    hard_ms = run.start_ms + int(hard.minutes[beyond[0]]) * 60_000 if len(beyond) else None
    first_ms = next((ms for _, ms in alarms if ms >= begin_ms), None)
    late = None
    if hard_ms is not None and first_ms is not None:
        late = sum(1 for ms, _ in Hands(run).hardness_tests() if hard_ms <= ms <= first_ms)
    early = sum(1 for _, ms in alarms if ms < begin_ms)
    cycles = cycles_between(run, begin_ms, first_ms)
    return Told(seed, begin_ms, period_ms(run, begin_ms), first_ms, early, hard_ms, cycles, late)


def _summed(periods: list[float]) -> str:
    delays = sorted(periods)
    within = sum(1 for one in delays if one <= 2.0)
    ninety = delays[int(0.9 * len(delays)) - 1]
    return f"{within}/{len(delays)} within 2 periods, median {np.median(delays):.2f}, 90 % {ninety:.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.softener")
    parser.add_argument("--seed", type=int, default=101, help="the first of the seeds")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--days", type=int, default=130)
    parser.add_argument("--begin", type=float, default=80.0)
    parser.add_argument("--outfit", action="append", choices=OUTFITS, help="only these; again for more")
    parser.add_argument(
        "--fault", action="append", choices=FAULTS, help="only these; sound for a shop without one"
    )
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.seeds)
    for named in options.fault or FAULTS:
        fault = "" if named == "sound" else named
        runs = {}
        for seed in seeds:
            begin = options.begin + float(stream(seed, "bench begin").random()) * 7.0
            runs[seed] = simulated(seed, options.days, fault, begin if fault else 0.0)
        for outfit in options.outfit or OUTFITS:
            if fault:
                told = [measured(s, fault, outfit, options.days, options.begin, runs[s]) for s in seeds]
                if outfit == "test":
                    tests = [one.tests_late for one in told]
                    print(f"{fault} test: drop tests from the first hard water on until told: {tests}")
                delays = _summed([one.periods for one in told])
                cycles = _summed([one.cycles for one in told])
                early = sum(one.early for one in told)
                print(f"{fault} {outfit}: time {delays}; litres {cycles}; early alarms {early}", flush=True)
            else:
                with tempfile.TemporaryDirectory() as folder:
                    false = [raised(judged(runs[s], outfit, Path(folder))) for s in seeds]
                years = options.days * len(runs) / 365.25
                print(f"sound {outfit}: {sum(map(len, false))} false in {years:.1f} shop-years", flush=True)


if __name__ == "__main__":
    main()
