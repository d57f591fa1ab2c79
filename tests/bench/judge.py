"""Judge a simulated shop offline: its instruments' reports through the watch, its alarms against the truth.

    python -m tests.bench.judge --faults FILE --seed 3 --days 30 --every 5 --files 21 --rules creep,silent

Nothing is stored and no wire is used, so a month takes seconds. `judge` is the whole of it as a function.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from monitor.config import SiteFile, load
from monitor.readings import Event, Sample, Status, Tick, Transition
from monitor.replay.stream import MINUTE_MS, replayed, with_ticks
from monitor.watch import Watch
from simulator.faults import DAY_MS, Fault, read_fault_file
from simulator.instruments import FAILED, OVER, UNDER
from simulator.score import Score, score
from simulator.shop import Instrument
from simulator.year import Run, simulate

SITE = Path(__file__).parents[2] / "config" / "demo-shop.toml"

_STATUS = {OVER: Status.OVER_RANGE, UNDER: Status.UNDER_RANGE, FAILED: Status.DEVICE_FAULT}


def channel_of(instrument: str) -> str:
    """The channel that reports what a simulated instrument measures: M05_level is m05.level."""
    return instrument.lower().replace("_", ".")


def site_of(rules: str | None = None, path: Path = SITE) -> SiteFile:
    """The shop's site file; `rules` (text of `[[rule]]` tables) takes the place of those in it."""
    if rules is None:
        return load(path)
    text = re.sub(r"(?ms)^\[\[rule\]\]\n.*?(?=^\[|^# ---|\Z)", "", path.read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        changed = Path(folder) / "site.toml"
        changed.write_text(text + "\n" + rules, encoding="utf-8")
        return load(changed)


def needed(site: SiteFile, names: Iterable[str]) -> set[str]:
    """Channels that these rules look at, with the flows and temperatures that those rest on."""
    wanted: set[str] = set().union(*(rule.channels for rule in site.rules if rule.settings.id in set(names)))
    channels = site.plant.channels
    for name in list(wanted):
        gate, temperature = channels[name].gate, channels[name].temperature
        wanted |= {*(gate.looks_at if gate else ()), *((temperature,) if temperature else ())}
    return wanted


def samples(run: Run, channels: set[str], every_min: float = 1.0) -> Iterator[Sample]:
    """Reports of these channels in order of sending, as the wires would hand them over.

    Each instrument at most once in `every_min`; a contact that changes is always told.
    """
    parts, names, values, states = [], [], [], []
    own_time: list[int | None] = []
    described = {channel_of(i.name): i for i in run.shop.instruments}
    for name in sorted(channels & described.keys()):
        said, instrument = run.reported[described[name].name], described[name]
        slot = said.time_ms // round(every_min * MINUTE_MS)
        keep = np.concatenate([[True], np.diff(slot) > 0]) if len(slot) else np.zeros(0, dtype=bool)
        if instrument.model == "contact":
            keep[1:] |= np.diff(said.value) != 0
        parts.append(said.time_ms[keep])
        names += [name] * int(keep.sum())
        own_time += said.own_ms[keep].tolist() if _carries_time(instrument) else [None] * int(keep.sum())
        values += said.value[keep].tolist()
        states += said.status[keep].tolist()
    sent = np.concatenate(parts)
    for k in np.argsort(sent, kind="stable").tolist():
        failed = states[k] == FAILED
        value = 0.0 if failed else values[k]
        status = _STATUS.get(states[k], Status.OK)
        yield Sample(names[k], value, int(sent[k]), own_time[k], status)


def _carries_time(instrument: Instrument) -> bool:
    wire = instrument.wire
    return wire is not None and (wire.kind == "csv" or (wire.kind == "mqtt" and wire.payload == "json"))


def from_files(run: Run, channels: set[str], until_ms: int, every_min: float = 5.0) -> Iterator[Sample]:
    """Reports before `until_ms` as the logger's files hold them: a row an interval, read all at once."""
    step_ms = round(every_min * MINUTE_MS)
    rows: dict[int, dict[str, Sample]] = {}
    for sample in samples(run, channels):
        if sample.arrival_ms >= until_ms:
            break
        row_ms = (sample.arrival_ms // step_ms + 1) * step_ms
        rows.setdefault(row_ms, {})[sample.channel] = replace(sample, time_ms=row_ms, arrival_ms=until_ms)
    for row_ms in sorted(rows):
        yield from rows[row_ms].values()


def events_of(run: Run, channels: set[str], every_min: float, file_days: int) -> Iterator[Event]:
    """The stream of a run whose first days are read from files, the others over the wires."""
    live_ms = run.start_ms + file_days * DAY_MS
    if file_days:
        yield Tick(live_ms)
        yield from from_files(run, channels, live_ms, max(every_min, 5.0))
    live = (s for s in samples(run, channels, every_min) if s.arrival_ms >= live_ms)
    yield from with_ticks(((s.arrival_ms, s) for s in live), live_ms, run.end_ms)


def watched(
    run: Run,
    site: SiteFile,
    names: Sequence[str] | None = None,
    every_min: float = 1.0,
    file_days: int = 0,
) -> list[Transition]:
    """What a fresh watch with these rules (all when None) makes of a run."""
    rules = [rule for rule in site.rules if names is None or rule.settings.id in names]
    channels = needed(site, [rule.settings.id for rule in rules])
    return replayed(Watch(site.plant, rules), events_of(run, channels, every_min, file_days))


def judge(
    faults: Iterable[Mapping[str, Any] | Fault] = (),
    *,
    shop: str = "hall3",
    seed: int = 1,
    start: str = "2026-09-07",
    days: int = 30,
    site: SiteFile | None = None,
    names: Sequence[str] | None = None,
    every_min: float = 1.0,
    file_days: int = 0,
) -> Score:
    """Simulate a shop with these faults, watch it with the site's rules, and score the alarms.

    `names` picks rules by id (all when None); the first `file_days` are read from logger files, all at once.
    A start before 2026 is before the gateway's clock is trusted.
    """
    site = site or site_of()
    run = simulate(shop, faults, seed, start, days)
    return score(run, raised(watched(run, site, names, every_min, file_days)), site.plant)


def raised(transitions: Iterable[Transition]) -> list[Transition]:
    """Those that are new alarms."""
    return [transition for transition in transitions if transition.cause == "raised"]


def _hours(value: float | None) -> str:
    return "" if value is None else f"{value:.1f} h"


def _print(result: Score) -> None:
    print(f"{'fault':28} {'family':14} {'subject':12} {'alarm':28} {'since start':>12} {'since visible':>14}")
    for item in (*result.due, *result.early):
        name = item.alarm.condition if item.alarm else ("MISSED" if item in result.due else "not yet visible")
        line = item.line
        print(
            f"{line.fault:28} {line.family:14} {line.subject:12} {name:28} "
            f"{_hours(item.since_start_h):>12} {_hours(item.since_visible_h):>14}"
        )
    for alarm, line in result.allowed:
        print(f"allowed: {alarm.condition} at {_date(alarm.time_ms)}, {line.role} of {line.fault}")
    for alarm in result.false:
        print(f"FALSE: {alarm.condition} at {_date(alarm.time_ms)} {dict(alarm.evidence)}")
    print(
        f"{len(result.caught)} caught, {len(result.missed)} missed, {len(result.false)} false, "
        f"{len(result.allowed)} allowed"
    )


def _date(time_ms: int) -> str:
    return str(np.datetime64(time_ms, "ms").astype("datetime64[m]"))


def _picked(text: str | None) -> tuple[SiteFile, list[str] | None]:
    """`--rules`: a file of `[[rule]]` tables, or kinds and ids of the site's rules."""
    if text is None:
        return site_of(), None
    if Path(text).is_file():
        return site_of(Path(text).read_text(encoding="utf-8")), None
    site, words = site_of(), text.split(",")
    names = [r.settings.id for r in site.rules if r.kind in words or r.settings.id in words]
    if not names:
        there = ", ".join(f"{r.settings.id} ({r.kind})" for r in site.rules)
        raise SystemExit(f"--rules {text}: no such rule, kind or file; there are: {there}")
    return site, names


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.judge", description=__doc__.split("\n")[0])
    parser.add_argument("--faults", type=Path, help="fault script, [[fault]] tables; healthy when left out")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", default="2026-09-07")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--every", type=float, default=5.0, help="minutes between reports (default 5)")
    parser.add_argument("--files", type=int, default=0, help="first days that are read from logger files")
    parser.add_argument("--rules", help="file of [[rule]] tables, or ids and kinds, comma between")
    asked = parser.parse_args()
    site, names = _picked(asked.rules)
    faults = read_fault_file(asked.faults) if asked.faults else []
    began = time.monotonic()
    run = simulate("hall3", faults, asked.seed, asked.start, asked.days)
    run.reported  # noqa: B018  so that simulating and watching are timed apart
    simulated = time.monotonic()
    transitions = watched(run, site, names, asked.every, asked.files)
    ended = time.monotonic()
    _print(score(run, raised(transitions), site.plant))
    print(f"simulated in {simulated - began:.1f} s, watched in {ended - simulated:.1f} s")


if __name__ == "__main__":
    main()
