"""A record through the watch with some rules of the site: the alarms, and what was found day by day."""

from __future__ import annotations

import re
import tempfile
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from monitor.config import SiteFile, load
from monitor.readings import Evidence, Priority, Transition
from monitor.replay.stream import with_ticks
from monitor.watch import Effects, Watch, WatchState
from simulator.score import Score, against
from tests.bench.detection import cache as kept
from tests.bench.detection.record import Record
from tests.bench.judge import SITE, channel_of

DAY_MS = 86_400_000
# A kill loses at most so many days of a year that was being watched.
SLICE_DAYS = 7
KEPT_FROM_DAYS = 120  # shorter stretches are watched anew
_AT_ONCE = 500

# The small meter of the permeate (record.DISPLAY), as the site file describes it.
DISPLAY = """
[[instrument]]
id = "ro-display"
name = "RO display"
point = "permeate"
expected_interval = "5 min"
wire = { kind = "mqtt", broker = "hall", topic = "hall3/ro/tds", payload = { kind = "number" } }

[[instrument.channel]]
id = "permeate.tds"
quantity = "tds"
unit = "ppm"
range = [0.0, 999.0]
resolution = 1.0
accuracy = { of_reading = "2 %", absolute = "1 ppm" }
tds_scale = "nacl"
gate = { flow = "permeate.flow", running = "ro.run", above = "0.5 L/min", minutes = "20 min" }
"""
# These look at every channel of the site unless told which; in a window only some are simulated.
_OF_CHANNELS, _OF_INSTRUMENTS = ("stuck", "not-judged"), ("silent", "instruments")


@dataclass(frozen=True)
class Alarm:
    """An alarm that was raised: what `simulator.score` needs of it, and how urgent it was."""

    condition: str
    rule_kind: str
    subject: str
    time_ms: int
    priority: Priority
    evidence: Evidence
    ended_ms: int | None = None


@dataclass(frozen=True)
class Said:
    """What a rule found, whether it holds or not: one a day and condition, and each change."""

    condition: str
    time_ms: int
    holds: bool
    evidence: Evidence


@dataclass(frozen=True)
class Outcome:
    """What the watch made of a record."""

    alarms: tuple[Alarm, ...] = ()
    said: tuple[Said, ...] = ()


@dataclass(frozen=True)
class Site:
    """A site file that was put together, with the text it was read from."""

    text: str
    file: SiteFile


@cache
def demo_rules() -> Mapping[str, str]:
    """The rules of the demo's site file, as text, by id."""
    tables = re.findall(r"(?ms)^\[\[rule\]\]\n.*?(?=^\[|^# ---|\Z)", SITE.read_text(encoding="utf-8"))
    found = {}
    for table in tables:
        name = re.search(r'(?m)^id = "([^"]+)"', table)
        if name is not None:
            found[name[1]] = table
    return found


@cache
def demo_site() -> Site:
    """The demo's own site file, all rules of it."""
    return Site(SITE.read_text(encoding="utf-8"), load(SITE))


@cache
def site_with(rules: str) -> Site:
    """The demo's shop with these rules only, and the small permeate meter beside the good one."""
    text = re.sub(r"(?ms)^\[\[rule\]\]\n.*?(?=^\[|^# ---|\Z)", "", SITE.read_text(encoding="utf-8"))
    return site_of_text(f"{text}\n{DISPLAY}\n{rules}")


def site_of_text(text: str) -> Site:
    """A site file from its text."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(text, encoding="utf-8")
        return Site(text, load(path))


def window_rules(ids: Iterable[str], instruments: Sequence[str], more: str = "") -> str:
    """Rules of the demo by id, those that look at everything narrowed to what a window simulates."""
    channels = [channel_of(name) for name in instruments]
    plant = demo_site().file.plant
    known = [plant.channels[name] for name in channels if name in plant.channels]
    gated = [c.id for c in known if c.gate is not None]
    still = {c.id for c in known if c.quantity in ("contact", "volume")}
    # an instrument of which only a part is simulated would be called silent
    whole = [i.id for i in plant.instrument if {c.id for c in i.channel} <= set(channels)]
    partly = [i.id for i in plant.instrument if {c.id for c in i.channel} & set(channels)]
    tables = []
    for name in ids:
        table = demo_rules()[name]
        if name in _OF_CHANNELS:
            chosen = gated if name == "not-judged" else [c for c in channels if c not in still]
            table += f"channels = {_listed(chosen)}\n" if chosen else ""
        elif name in _OF_INSTRUMENTS:
            chosen = whole if name == "silent" else partly
            table += f"instruments = {_listed(chosen)}\n"
        tables.append(table)
    return "\n".join([*tables, more])


def _listed(names: Iterable[str]) -> str:
    return "[" + ", ".join(f'"{name}"' for name in names) + "]"


class OutOfTime(Exception):
    """The time for the measurement was over before the end of a record; the next run goes on from there."""

    def __init__(self, outcome: Outcome, end_ms: int) -> None:
        super().__init__(outcome, end_ms)
        self.outcome, self.end_ms = outcome, end_ms


def watched(
    record: Record, site: Site, remember: Sequence[str] = (), until_s: float | None = None
) -> Outcome:
    """The record through a fresh watch; read from the cache when it was watched before.

    Of conditions that begin with one of `remember` what was found is kept as well. A year that was cut off
    goes on at the last slice that ended.
    Raises: OutOfTime when `until_s` of the monotonic clock comes first, with what was found so far.
    """
    key = kept.key([record.spec.key, kept.version(kept.WATCH), site.text, list(remember)])
    found: Outcome = kept.kept(
        "watched", f"{key}.pickle", lambda: _watch(record, site, remember, key, until_s)
    )
    return found


def _watch(record: Record, site: Site, remember: Sequence[str], key: str, until_s: float | None) -> Outcome:
    heart = Watch(site.file.plant, list(site.file.rules))
    channels = {name for rule in site.file.rules for name in rule.channels}
    channels = set(heart.inputs(channels)) | channels
    halfway = kept.place("halfway", f"{key}.pickle")
    begin_ms, state, outcome = record.start_ms, WatchState(), Outcome()
    if halfway.is_file():
        begin_ms, state, outcome = kept.read(halfway)
    last: dict[str, Said] = {said.condition: said for said in outcome.said}
    while begin_ms < record.end_ms:
        end_ms = min(begin_ms + SLICE_DAYS * DAY_MS, record.end_ms)
        timed = ((s.arrival_ms, s) for s in record.samples(begin_ms, end_ms, channels))
        events = list(with_ticks(timed, begin_ms, end_ms))
        for first in range(0, len(events), _AT_ONCE):
            effects = Effects(findings=[] if remember else None)
            state = heart.run(state, events[first : first + _AT_ONCE], effects)
            outcome = _with(outcome, effects, remember, last)
        begin_ms = end_ms
        out_of_time = until_s is not None and time.monotonic() > until_s
        if (out_of_time or record.days >= KEPT_FROM_DAYS) and begin_ms < record.end_ms:
            kept.write(halfway, (begin_ms, state, outcome))
            if out_of_time:
                raise OutOfTime(outcome, begin_ms)
    halfway.unlink(missing_ok=True)
    return outcome


def _with(outcome: Outcome, effects: Effects, remember: Sequence[str], last: dict[str, Said]) -> Outcome:
    said = []
    for found in effects.findings or ():
        before = last.get(found.condition)
        news = before is None or found.time_ms - before.time_ms >= DAY_MS or found.holds != before.holds
        if news and found.condition.startswith(tuple(remember)):
            one = Said(found.condition, found.time_ms, found.holds, dict(found.evidence))
            last[found.condition] = one
            said.append(one)
    transitions = [transition for _, transition in effects.transitions]
    if not transitions and not said:
        return outcome
    alarms = list(outcome.alarms)
    for transition in transitions:
        if transition.cause == "raised":
            alarms.append(_alarm(transition))
        elif transition.cause == "returned":
            alarms = [_ended(alarm, transition) for alarm in alarms]
    return Outcome(tuple(alarms), (*outcome.said, *said))


def _alarm(found: Transition) -> Alarm:
    return Alarm(
        found.condition, found.rule_kind, found.subject, found.time_ms, found.priority, dict(found.evidence)
    )


def _ended(alarm: Alarm, returned: Transition) -> Alarm:
    if alarm.condition != returned.condition or alarm.ended_ms is not None:
        return alarm
    return replace(alarm, ended_ms=returned.time_ms)


def held_against(record: Record, outcome: Outcome, site: Site) -> Score:
    """The alarms against what is true of the record."""
    return against(record.lines, outcome.alarms, site.file.plant)


def failures(outcome: Outcome) -> list[Any]:
    """Rules that broke while they watched: a measurement with one of them says nothing."""
    return [alarm for alarm in outcome.alarms if alarm.condition.startswith("rule-failed")]
