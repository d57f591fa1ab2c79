"""How surely and how soon the rules `membrane` and `tank` speak, and how often for nothing.

    python -m tests.bench.membrane_tank tank --seeds 4 --from 1001

Each seed is a shop of its own: once healthy, once with each fault, which begins at a random hour of the
fourth week. Shops are watched by the reports of their instruments, each at most once in five minutes;
cleanings are logged as the shop does them. Seeds below 1000 are for tuning.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np

from monitor.config import SiteFile
from monitor.readings import Event, OperatorAction, Sample, Tick, Transition
from monitor.watch import Effects, Watch, WatchState
from simulator.faults import DAY_MS
from simulator.year import Run, simulate
from tests.bench.judge import raised, samples, site_of

_MINUTE_MS = 60_000
_TICK_MS = 5 * _MINUTE_MS
_STARTS = ("2026-03-02", "2026-06-01", "2026-09-07", "2026-11-09")

TANK = """
[[rule]]
kind = "tank"
id = "tank"
level = "tank.level"
low = "300 mm"
high = "1180 mm"
running = "ro.run"
"""
_THEN = 'temperature = "12 degC", permeate_flow = "2.45 L/min"'
_FLOWS = 'permeate_flow = "permeate.flow"\nfeed_flow = "feed.flow"\n'
MEMBRANE = f"""
[[derived]]
kind = "normalised-flow"
id = "ro.normal-flow"
permeate_flow = "permeate.flow"
temperature = "feed.temp"
reference = {{ {_THEN} }}

[[derived]]
kind = "normalised-salt-passage"
id = "ro.normal-passage"
permeate = "permeate.ec"
feed = "softened.ec"
temperature = "feed.temp"
{_FLOWS}
reference = {{ {_THEN}, feed_flow = "4.9 L/min", feed = "615 uS/cm", permeate = "30 uS/cm" }}

[[derived]]
kind = "normalised-pressure-drop"
id = "ro.normal-drop"
pressure_drop = "drop.pressure"
at_feed_flow = "4.9 L/min"
at_permeate_flow = "2.45 L/min"
{_FLOWS}

[[rule]]
kind = "membrane"
id = "ro-membrane"
flow = "ro.normal-flow"
passage = "ro.normal-passage"
drop = "ro.normal-drop"
stage = "ro"
"""


@dataclass(frozen=True)
class Planted:
    """A fault, the conditions that tell it, and those that are its consequences."""

    cell: str
    fault: Mapping[str, Any]
    told_by: frozenset[str]
    allowed: frozenset[str]


@dataclass(frozen=True)
class Measured:
    """What is measured of one rule."""

    rules: str
    days: int
    planted: tuple[Planted, ...]
    only_running: bool  # readings of standing water say nothing to it


def _planted(cell: str, kind: str, told: str, also: str = "", **size: Any) -> Planted:
    names = frozenset(told.split())
    return Planted(cell, {"kind": kind, **size}, names, names | frozenset(also.split()))


MEASURED: Mapping[str, Measured] = {
    "tank": Measured(
        TANK,
        42,
        (
            _planted("leak, 2 L/h", "tank_leak", "tank/tank-leak", "tank/long-run", size=2.0),
            _planted("leak, 5 L/h", "tank_leak", "tank/tank-leak", "tank/long-run", size=5.0),
            _planted("float calls for ever", "float_calling", "tank/high-level", "tank/long-run"),
            _planted("float chatters, 10 L", "float_chatter", "tank/short-cycling", size=10.0),
            _planted("RO does not start", "ro_stopped", "tank/not-made", "tank/low-level"),
        ),
        only_running=False,
    ),
    "membrane": Measured(
        MEMBRANE,
        63,
        (
            _planted("dirt, 4 % a week", "membrane_fouling", "ro-membrane", size=4.0),
            _planted("scale, 4 % a week", "membrane_scaling", "ro-membrane", size=4.0),
            _planted(
                "oxidised, 9 % a week", "membrane_oxidised", "ro-membrane", "ro-membrane/check", size=9.0
            ),
        ),
        only_running=True,
    ),
}


def transitions(run: Run, site: SiteFile, only_running: bool) -> list[Transition]:
    """What a fresh watch with these rules makes of a run."""
    watch, state, effects, found = Watch(site.plant, site.rules), WatchState(), Effects(), []
    wanted: set[str] = watch.inputs(set().union(*(rule.channels for rule in site.rules)))
    reports: Iterable[Sample] = samples(run, wanted, 5.0)
    if only_running:
        reports = _while_running(run, reports)
    for event in _events(run, reports):
        state = watch.step(state, event, effects)
        if effects.transitions or len(effects.readings) > 20_000:
            found += [transition for _, transition in effects.transitions]
            effects = Effects()
    return found + [transition for _, transition in effects.transitions]


def _while_running(run: Run, reports: Iterable[Sample]) -> Iterator[Sample]:
    """Reports while the osmosis runs, and of ten minutes before and after."""
    running = np.convolve(run.series["run:ro"].values, np.ones(21), mode="same") > 0.5
    for report in reports:
        minute = min((report.arrival_ms - run.start_ms) // _MINUTE_MS, len(running) - 1)
        if running[minute]:
            yield report


def _events(run: Run, reports: Iterable[Sample]) -> Iterator[Event]:
    cleaned = [
        OperatorAction(ms, "event", "ro", "lead", event="membrane-cleaning", told_ms=ms)
        for ms, what, _ in run.events
        if what == "cleaning"
    ]
    next_ms = run.start_ms + _TICK_MS
    for report in reports:
        while next_ms <= report.arrival_ms:
            yield Tick(next_ms)
            while cleaned and cleaned[0].time_ms <= next_ms:
                yield cleaned.pop(0)
            next_ms += _TICK_MS
        yield report


@dataclass(frozen=True)
class Window:
    """One window: hours from the fault to the alarm that tells it (None: missed), and alarms for nothing."""

    cell: str
    seed: int
    delay_h: float | None
    false: tuple[str, ...]
    days: float  # that were healthy in it


def window(name: str, seed: int, planted: Planted | None) -> Window:
    """A shop, healthy or with one fault."""
    measured = MEASURED[name]
    begin = 21.0 + float(np.random.default_rng([seed, 77]).uniform(0.0, 7.0))
    faults = [] if planted is None else [{**planted.fault, "start_day": round(begin, 4)}]
    run = simulate("hall3", faults, seed, _STARTS[seed % len(_STARTS)], measured.days)
    told = raised(transitions(run, site_of(measured.rules), measured.only_running))
    days = [((one.time_ms - run.start_ms) / DAY_MS, one.condition) for one in told]
    if planted is None:
        return Window("healthy", seed, None, tuple(f"{c} day {d:.1f}" for d, c in days), float(measured.days))
    telling = [d for d, condition in days if d >= begin and condition in planted.told_by]
    false = [f"{c} day {d:.1f}" for d, c in days if d < begin or c not in planted.allowed]
    return Window(planted.cell, seed, 24.0 * (min(telling) - begin) if telling else None, tuple(false), begin)


def table(windows: Sequence[Window]) -> str:
    """Caught, delay and false alarms of each cell."""
    lines = [
        "| fault | caught | delay, median | longest | told for nothing |",
        "| --- | --- | --- | --- | --- |",
    ]
    for cell in dict.fromkeys(one.cell for one in windows):
        of = [one for one in windows if one.cell == cell]
        days, false = sum(one.days for one in of), [text for one in of for text in one.false]
        nothing = f"{len(false)} in {days:.0f} healthy days"
        if cell == "healthy":
            lines.append(f"| none | | | | {nothing} |")
            continue
        delays = [one.delay_h for one in of if one.delay_h is not None]
        said = f"{_hours(median(delays))} | {_hours(max(delays))}" if delays else "| "
        lines.append(f"| {cell} | {len(delays)} of {len(of)} | {said} | {nothing} |")
    return "\n".join(lines)


def _hours(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.1f} days"


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.membrane_tank", description=__doc__.split("\n")[0]
    )
    parser.add_argument("rule", choices=list(MEASURED))
    parser.add_argument("--from", dest="first", type=int, default=1001, help="the first seed (default 1001)")
    parser.add_argument("--seeds", type=int, default=4)
    asked = parser.parse_args()
    found = []
    for seed in range(asked.first, asked.first + asked.seeds):
        for planted in (None, *MEASURED[asked.rule].planted):
            one = window(asked.rule, seed, planted)
            found.append(one)
            print(seed, one.cell, "-" if one.delay_h is None else _hours(one.delay_h), *one.false, flush=True)
    print(table(found))


if __name__ == "__main__":
    main()
