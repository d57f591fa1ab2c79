"""Carbon that fades and a cartridge that clogs, told by the rule `filter`: `python -m tests.bench.filters`.

Simulated shops, each of a seed of its own. Carbon is held against the first weekly test at which more than
0.1 mg/L of free chlorine truly passed; a cartridge against the day on which its drop truly passed its limit.
Whatever is told of a sound shop is false.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from monitor.readings import Event, Tick
from simulator.faults import DAY_MS
from simulator.hands import Hands
from simulator.noise import stream
from simulator.shop import load_shop
from simulator.year import Run, simulate
from tests.bench.softener import raised, small
from tests.heart.shop import Heart
from tests.heart.soft_water import done, heart, read, seen

_RULES = """
[[rule]]
kind = "filter"
id = "pre"
stage = "sediment"
litres = "soft.litres"
capacity = "110 m3"
drop = "sediment.drop"

[[rule]]
kind = "filter"
id = "carbon"
stage = "carbon"
litres = "soft.litres"
free_chlorine = "carbon.free"
"""
_LIMIT_BAR = 0.85  # what a clean one loses, and 0.7 bar
_FREE_MG_L = 0.1


def simulated(seed: int, days: int, begin_day: float | None) -> Run:
    """A run; both faults begin on the day, or none."""
    kinds = ("carbon_fading", "prefilter_clogging")
    script = [] if begin_day is None else [{"kind": kind, "start_day": begin_day} for kind in kinds]
    start_ms = 1_767_571_200_000 + (seed * 37 % 52) * 7 * DAY_MS
    return simulate(small(load_shop("hall3")), script, seed, start_ms, days)


def events(run: Run) -> Iterator[Event]:
    """What the watch is told, in order."""
    hands, minutes = Hands(run), np.arange(0, run.days * 1440, 15)
    at = minutes.astype(float)
    litres = np.round(run.series["total:feed"].at(at))
    noise = stream(run.seed, "drop gauge").normal(0.0, 0.02, len(at))
    drop = np.round(np.maximum(hands.prefilter_bar.at(at) + noise, 0.0), 2)
    told: list[tuple[int, int, Event]] = []
    for k, minute in enumerate(minutes):
        now = run.start_ms + int(minute) * 60_000
        told.append((now, 0, seen("sediment.drop", now, float(drop[k]))))
        if k % 4 == 0:
            told.append((now, 1, seen("soft.litres", now, float(litres[k]))))
            told.append((now + 1, 2, Tick(now + 60_000)))
    told += [(ms, 3, read("carbon.free", ms, value)) for ms, value in hands.chlorine_tests()]
    told += [(ms, 3, done("filter-change", "sediment", ms)) for ms in hands.prefilter_changes]
    return (event for _, _, event in sorted(told, key=lambda one: one[:2]))


def judged(run: Run, folder: Path) -> Heart:
    """The watch after all of a run."""
    watched = heart(folder, _RULES)
    for event in events(run):
        watched.see(event)
    return watched


def _carbon(run: Run, alarms: list[tuple[str, int]]) -> int | None:
    """Weekly tests from the first that truly had too much on until it was told."""
    told = next((ms for condition, ms in alarms if condition == "carbon/chlorine"), None)
    hands, passing = Hands(run), []
    for ms, _ in hands.chlorine_tests():
        true = float(hands.chlorine_mg_l.at(np.array([(ms - run.start_ms) / 60_000]))[0])
        if true > _FREE_MG_L:
            passing.append(ms)
    if told is None or not passing:
        return None
    return sum(1 for ms in passing if ms <= told)


def _clogged(run: Run, alarms: list[tuple[str, int]]) -> float | None:
    """Days told before the true drop passed the limit."""
    told = next((ms for condition, ms in alarms if condition == "pre/drop"), None)
    beyond = np.nonzero(Hands(run).prefilter_bar.values > _LIMIT_BAR)[0]
    if told is None or not len(beyond):
        return None
    return float((run.start_ms + int(beyond[0]) * 60_000 - told) / DAY_MS)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.filters")
    parser.add_argument("--seed", type=int, default=101, help="the first of the seeds")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--days", type=int, default=130)
    parser.add_argument("--begin", type=float, default=30.0)
    options = parser.parse_args()
    tests, early, before, false = [], [], 0, []
    for seed in range(options.seed, options.seed + options.seeds):
        with tempfile.TemporaryDirectory() as folder:
            run = simulated(seed, options.days, options.begin)
            alarms = raised(judged(run, Path(folder)))
            tests.append(_carbon(run, alarms))
            early.append(_clogged(run, alarms))
            before += sum(1 for _, ms in alarms if ms < run.start_ms + options.begin * DAY_MS)
        with tempfile.TemporaryDirectory() as folder:
            false += raised(judged(simulated(seed, options.days, None), Path(folder)))
        print(f"seed {seed}: carbon told at test {tests[-1]}, clogged {early[-1]} days before", flush=True)
    days = sorted(one for one in early if one is not None)
    years = options.days * options.seeds / 365.25
    print(f"carbon: tests from the first that had too much on until told: {tests}")
    print(
        f"cartridge: {len(days)}/{len(early)} told, days before its limit {np.percentile(days, [0, 50, 100])}"
    )
    print(
        f"before the faults {before}; sound {len(false)} in {years:.1f} shop-years: "
        f"{sorted(condition for condition, _ in false)}"
    )


if __name__ == "__main__":
    main()
