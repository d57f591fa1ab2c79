"""The rules that live on what people write down at the sumps, measured on simulated shops.

    python -m tests.bench.sump_books --seeds 11-14 --days 330 --json OUT

Each seed is the shop hall3 with its sumps topped off with tap water (so that minerals rise), a book kept as
people keep books (`simulator/hand.py`), three sumps in which biology grows, two that leak for three months.
Tuned on seeds 1 to 3.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from monitor.readings import Event, Finding, Transition
from simulator.hand import Episode, Habits, Note, notes, on_other_water
from simulator.noise import stream
from simulator.shop import load_shop
from simulator.sump import Sumps
from simulator.water import CA, MG
from simulator.year import Run, simulate
from tests.heart.coolant_shop import DAY_MS, HOUR_MS, of_note, read, simulated_shop, with_hours
from tests.heart.shop import Heart

LIMIT_MG_L = 600.0
BAND_PCT = (6.0, 9.0)
LEAK_L_H, LEAK_DAYS = 0.4, 90
AHEAD_D = (28, 56)
_METER_STEPS = 72  # 5-minute steps between two values of a sump's meter: six hours

RULES = """
[[rule]]
kind = "minerals"
id = "minerals"
water = "water.hardness"

[[rule]]
kind = "sump-condition"
id = "condition"
zero = "water.brix"

[[rule]]
kind = "make-up"
id = "make-up"
outflow = "loop.volume"
"""


@dataclass
class Figures:
    """What was found over all seeds."""

    sump_days: int = 0
    date_error_d: dict[int, list[float]] = field(default_factory=lambda: {ahead: [] for ahead in AHEAD_D})
    never: dict[int, int] = field(default_factory=lambda: dict.fromkeys(AHEAD_D, 0))
    in_range: dict[int, list[bool]] = field(default_factory=lambda: {ahead: [] for ahead in AHEAD_D})
    lead_d: list[float] = field(default_factory=list)
    limit_missed: int = 0
    limit_false: int = 0
    episodes: int = 0
    told_d: list[float] = field(default_factory=list)
    biology_false: int = 0
    checks_false: int = 0
    concentration: int = 0
    concentration_false: int = 0
    leaks: int = 0
    leak_told_d: list[float] = field(default_factory=list)
    make_up_false: int = 0
    book: int = 0

    def shown(self) -> dict[str, Any]:
        """The figures as a table."""
        years = self.sump_days / 365.0
        rows: dict[str, Any] = {"sump-years": round(years, 1)}
        for ahead in AHEAD_D:
            errors = self.date_error_d[ahead]
            known = len(errors)
            rows[f"limit, {ahead} days ahead"] = {
                "sumps": known + self.never[ahead],
                "no date": self.never[ahead],
                "error of the date, median d": round(median(abs(e) for e in errors), 1) if errors else None,
                "too late (+) or early, median d": round(median(errors), 1) if errors else None,
                "true day within the range": f"{sum(self.in_range[ahead])} of {len(self.in_range[ahead])}",
            }
        rows["limit alarm"] = {
            "ahead of the day, median d": round(median(self.lead_d), 1) if self.lead_d else None,
            "earliest and latest d": [round(max(self.lead_d)), round(min(self.lead_d))]
            if self.lead_d
            else None,
            "missed": self.limit_missed,
            "false": self.limit_false,
        }
        told = self.told_d
        rows["biology"] = {
            "episodes": self.episodes,
            "told": len(told),
            "after the pH was down by 0.3, median d": round(median(told), 1) if told else None,
            "latest d": round(max(told), 1) if told else None,
            "false": self.biology_false,
        }
        rows["look again, on sound sumps, a sump-year"] = round(self.checks_false / years, 2)
        rows["concentration remarks"] = {
            "all": self.concentration,
            "true value inside": self.concentration_false,
        }
        rows["leak"] = {
            "size L/h": LEAK_L_H,
            "leaks": self.leaks,
            "told": len(self.leak_told_d),
            "delay, median d": round(median(self.leak_told_d), 1) if self.leak_told_d else None,
        }
        rows["make-up, false, a sump-year"] = round(self.make_up_false / years, 2)
        rows["make-up, remarks on the book"] = self.book
        return rows


def faults_of(seed: int, days: int) -> tuple[list[dict[str, Any]], list[tuple[str, int]]]:
    """Two leaks for the simulator, and the machines and first days of three episodes of biology."""
    rng = stream(seed, "bench:sump-books")
    names = [machine.name for machine in load_shop("hall3").machines]
    picked = [names[k] for k in rng.permutation(len(names))[:5]]
    starts = [int(day) for day in rng.integers(100, days - 100, 5)]
    leaks = [
        {"kind": "sump_leak", "target": name, "size": LEAK_L_H, "start_day": day, "end_day": day + LEAK_DAYS}
        for name, day in zip(picked[:2], starts[:2], strict=True)
    ]
    return leaks, list(zip(picked[2:], starts[2:], strict=True))


def events_of(run: Run, book: Iterable[Note], sumps: Sumps, seed: int) -> Iterator[Event]:
    """The book, the meters of the valves and of all water, and tests of the water itself."""
    yield from (of_note(note) for note in book)
    rng = stream(seed, "bench:water-test")
    hardness = (run.series.tap.water[:, CA] + run.series.tap.water[:, MG]) * 50.04
    yield read("water.brix", run.start_ms + HOUR_MS, Habits().zero_brix)
    for day in range(0, run.days, 14):
        shown = hardness[24 * day + 6] * math.exp(0.08 * rng.standard_normal())
        yield read("water.hardness", run.start_ms + day * DAY_MS + 6 * HOUR_MS, float(round(shown)))
    total = np.cumsum(sumps.filled_l.sum(axis=1))
    for step in range(0, len(total), _METER_STEPS):
        at_ms = run.start_ms + step * 300_000
        yield read("loop.volume", at_ms, float(round(total[step])))
    for index, machine in enumerate(run.shop.machines):
        if machine.topoff == "valve":
            counted = np.cumsum(sumps.filled_l[:, index])
            for step in range(0, len(counted), _METER_STEPS):
                yield read(
                    f"{machine.name.lower()}.topoff", run.start_ms + step * 300_000, float(int(counted[step]))
                )


def watched(run: Run, events: Iterable[Event]) -> tuple[list[Transition], dict[str, list[Finding]]]:
    """What a fresh watch raises, and what the rule `minerals` finds each day by sump."""
    with tempfile.TemporaryDirectory() as folder:
        heart = Heart(simulated_shop(Path(folder), run.shop, RULES))
    found: dict[str, list[Finding]] = {}
    for event in with_hours(events, run.start_ms, run.end_ms):
        effects = heart.effects
        effects.findings = []
        heart.state = heart.watch.step(heart.state, event, effects)
        for finding in effects.findings:
            if finding.condition.startswith("minerals/"):
                found.setdefault(finding.subject, []).append(finding)
    return heart.transitions, found


def measure(seed: int, days: int, figures: Figures) -> None:
    """One seed's share of the figures."""
    leaks, starts = faults_of(seed, days)
    run = simulate("hall3", leaks, seed, "2026-02-02", days)
    sumps = on_other_water(run, run.series.tap.water)
    episodes = [
        Episode(name, run.start_ms + day * DAY_MS, run.start_ms + (day + 45) * DAY_MS) for name, day in starts
    ]
    transitions, found = watched(run, events_of(run, notes(run, episodes, sumps=sumps), sumps, seed))
    raised = [t for t in transitions if t.cause == "raised"]
    figures.sump_days += days * len(run.shop.machines)
    _minerals(run, sumps, raised, found, figures)
    _condition(run, episodes, raised, figures)
    _make_up(run, raised, figures)


def _minerals(
    run: Run, sumps: Sumps, raised: list[Transition], found: dict[str, list[Finding]], figures: Figures
) -> None:
    for index, machine in enumerate(run.shop.machines):
        name, true = machine.name.lower(), sumps.hardness_mg_l[:, index]
        over = np.flatnonzero(np.convolve(true > LIMIT_MG_L, np.ones(24), "same") > 23)
        alarms = [(t.time_ms - run.start_ms) / DAY_MS for t in raised if t.condition == f"minerals/{name}"]
        if not len(over):
            # Near the run's end nobody knows whether it would have been passed.
            figures.limit_false += sum(day < run.days - 60 for day in alarms)
            continue
        limit_day = over[0] / 24.0
        before = [day for day in alarms if day <= limit_day]
        if before:
            figures.lead_d.append(limit_day - before[-1])
            figures.limit_false += len(before) - 1
        elif limit_day < run.days - 1:
            figures.limit_missed += 1
        for ahead in AHEAD_D:
            _date(run, found.get(name, []), limit_day, ahead, figures)


def _date(run: Run, found: list[Finding], limit_day: float, ahead: int, figures: Figures) -> None:
    at = next((f for f in found if (f.time_ms - run.start_ms) / DAY_MS >= limit_day - ahead), None)
    if at is None:
        return
    day = (at.time_ms - run.start_ms) / DAY_MS
    likely, soonest, latest = (at.evidence[key] for key in ("likely_d", "soonest_d", "latest_d"))
    if likely is None:
        figures.never[ahead] += 1
    else:
        figures.date_error_d[ahead].append(day + float(str(likely)) - limit_day)
    low = math.inf if soonest is None else float(str(soonest))
    high = math.inf if latest is None else float(str(latest))
    figures.in_range[ahead].append(day + low <= limit_day + 1.0 and limit_day - 1.0 <= day + high)


def _condition(run: Run, episodes: list[Episode], raised: list[Transition], figures: Figures) -> None:
    ill = {e.machine.lower(): e for e in episodes}
    for episode in episodes:
        visible_ms = episode.visible_ms()
        assert visible_ms is not None
        figures.episodes += 1
        told = [
            t.time_ms
            for t in raised
            if t.condition == f"condition/{episode.machine.lower()}"
            and episode.start_ms <= t.time_ms <= episode.end_ms
        ]
        if told:
            figures.told_d.append((told[0] - visible_ms) / DAY_MS)
    for alarm in raised:
        rule, _, rest = alarm.condition.partition("/")
        if rule != "condition":
            continue
        sick = ill.get(alarm.subject)
        within = sick is not None and sick.start_ms <= alarm.time_ms <= sick.end_ms + 7 * DAY_MS
        if rest.endswith("/concentration"):
            figures.concentration += 1
            index = run.shop.machine_index(alarm.subject.upper())
            hour = (alarm.time_ms - run.start_ms) // HOUR_MS
            true = run.series.sumps.concentrate_pct[min(hour, 24 * run.days - 1), index]
            figures.concentration_false += bool(BAND_PCT[0] <= true <= BAND_PCT[1])
        elif not within and rest.endswith("/check"):
            figures.checks_false += 1
        elif not within:
            figures.biology_false += 1


def _make_up(run: Run, raised: list[Transition], figures: Figures) -> None:
    leaking = {fault.target.lower(): fault for fault in run.faults}
    for name, fault in leaking.items():
        figures.leaks += 1
        told = [
            t.time_ms
            for t in raised
            if t.condition == f"make-up/{name}"
            and fault.start_ms <= t.time_ms <= (fault.end_ms or run.end_ms)
        ]
        if told:
            figures.leak_told_d.append((told[0] - fault.start_ms) / DAY_MS)
    for alarm in raised:
        if not alarm.condition.startswith("make-up/"):
            continue
        if alarm.condition == "make-up/unlogged":
            figures.book += 1
            continue
        fault_of = leaking.get(alarm.subject)
        ends_ms = 0 if fault_of is None else (fault_of.end_ms or run.end_ms) + 21 * DAY_MS
        if fault_of is None or not fault_of.start_ms <= alarm.time_ms <= ends_ms:
            figures.make_up_false += 1


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.sump_books", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--seeds", default="11-14", help="a range of seeds, like 11-14")
    parser.add_argument("--days", type=int, default=330)
    parser.add_argument("--json", type=Path, help="write the figures here")
    asked = parser.parse_args()
    first, _, last = asked.seeds.partition("-")
    figures = Figures()
    for seed in range(int(first), int(last or first) + 1):
        measure(seed, asked.days, figures)
        text = json.dumps({"seeds": f"{first} to {seed}", **figures.shown()}, indent=1)
        print(text, flush=True)
        if asked.json:  # after each seed: one that is cut short has measured something
            asked.json.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
