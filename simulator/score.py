"""Hold the alarms that a watch raised against the ground truth of a run: told, missed, explained, false."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from monitor.plant.model import Plant
from simulator.faults import DAY_MS
from simulator.schedule import MINUTE_MS
from simulator.truth import EXPECTED, FAMILIES, QUIET, SIDE_EFFECT, UNSEEN, Expected
from simulator.year import Run

# An alarm may still come this long after its fault was put right: delays run in reading time.
AFTERWARDS_MS = 2 * DAY_MS
# Points and stages of the site file in the words of the truth.
_PLACES = {
    "softener": "softened", "ro": "permeate", "di-out": "di", "in-tank": "tank", "tap-out": "tap",
}  # fmt: skip


class Raised(Protocol):
    """An alarm that was raised, as the watch's own transitions and its messages both say it."""

    @property
    def condition(self) -> str: ...
    @property
    def rule_kind(self) -> str: ...
    @property
    def subject(self) -> str: ...
    @property
    def time_ms(self) -> int: ...
    @property
    def evidence(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True)
class Judged:
    """One expected line of truth and the first alarm that tells it; delays in hours."""

    line: Expected
    alarm: Raised | None

    @property
    def since_start_h(self) -> float | None:
        return None if self.alarm is None else (self.alarm.time_ms - self.line.start_ms) / 3.6e6

    @property
    def since_visible_h(self) -> float | None:
        """Delay from the moment the effect was large enough to be seen; negative when told earlier."""
        if self.alarm is None or self.line.visible_ms is None:
            return None
        return (self.alarm.time_ms - self.line.visible_ms) / 3.6e6


@dataclass(frozen=True)
class Score:
    """The alarms of a run against its truth.

    `due`: expected lines that became visible within the run. `early`: expected lines that did not (an alarm
    is welcome). `allowed`: alarms that a side effect, a gap or wear explains. `false`: alarms that nothing
    explains, or that only a *quiet* line explains.
    """

    due: tuple[Judged, ...]
    early: tuple[Judged, ...]
    allowed: tuple[tuple[Raised, Expected], ...]
    false: tuple[Raised, ...]

    @property
    def caught(self) -> tuple[Judged, ...]:
        return tuple(item for item in self.due if item.alarm is not None)

    @property
    def missed(self) -> tuple[Judged, ...]:
        return tuple(item for item in self.due if item.alarm is None)


def score(run: Run, raised: Sequence[Raised], plant: Plant) -> Score:
    """Hold the alarms, in order of time, against the run's truth."""
    return against((*run.truth, *run.gaps, *natural_fronts(run)), raised, plant)


def against(truth: Sequence[Expected], raised: Sequence[Raised], plant: Plant) -> Score:
    """Hold the alarms, in order of time, against these lines of truth."""
    expected = [line for line in truth if line.role == EXPECTED]
    telling = [alarm for alarm in raised if not is_question(alarm)]
    judged = [Judged(e, next((a for a in telling if explains(e, a, plant)), None)) for e in expected]
    allowed, false = [], []
    for alarm in raised:
        lines = [line for line in truth if explains(line, alarm, plant)]
        if any(line.role == EXPECTED for line in lines) and not is_question(alarm):
            continue
        excuse = next((line for line in lines if line.role in (EXPECTED, SIDE_EFFECT, UNSEEN)), None)
        if excuse is None or any(line.role == QUIET for line in lines):
            false.append(alarm)
        else:
            allowed.append((alarm, excuse))
    due = tuple(item for item in judged if item.line.visible_ms is not None)
    early = tuple(item for item in judged if item.line.visible_ms is None)
    return Score(due, early, tuple(allowed), tuple(false))


def is_question(alarm: Raised) -> bool:
    """It asks for a look or says what is coming, and so does not tell a fault; it has to be explained all
    the same."""
    return bool({"check", "forecast"} & set(alarm.condition.split("/")[1:]))


def explains(line: Expected, alarm: Raised, plant: Plant) -> bool:
    """The alarm may be told of this line: its family, its subject, its time."""
    inside = line.start_ms <= alarm.time_ms
    inside &= line.end_ms is None or alarm.time_ms <= line.end_ms + AFTERWARDS_MS
    return inside and line.family in families_of(alarm) and line.subject in subjects_of(alarm, plant)


def families_of(alarm: Raised) -> set[str]:
    """The truth's word for an alarm: a family named in its condition (`rule/discharge`), else its kind's."""
    named = set(alarm.condition.split("/")[1:]) & set(FAMILIES)
    if named:
        return named
    evidence, families = alarm.evidence, {alarm.rule_kind}
    if alarm.rule_kind == "limit":
        if (evidence.get("quantity"), evidence.get("side")) == ("level", "below"):
            families.add("low-level")
        if evidence.get("bound") != "exact":
            families.add("over-range")
    return families


def subjects_of(alarm: Raised, plant: Plant) -> set[str]:
    """The truth's words for what an alarm is about: its place, and the simulated instruments of it."""
    subject, found = alarm.subject, {alarm.subject}
    channels = {subject, str(alarm.evidence.get("channel"))} & plant.channels.keys()
    channels |= {c.id for i in plant.instrument if subject in (i.id, i.sump) for c in i.channel}
    for channel in channels:
        place, sump = plant.point_of(channel), plant.instrument_of(channel).sump
        found |= {place.id} if place else set()
        found |= {sump} if sump else set()
        where, _, what = channel.partition(".")
        found.add(f"{where.upper() if sump else where}_{what}")
    found |= {_PLACES[name] for name in list(found) if name in _PLACES}
    return found | {name.upper() for name in found if name in {sump.id for sump in plant.sump}}


def natural_fronts(run: Run) -> tuple[Expected, ...]:
    """Beds that the shop itself ran into the front before changing them: an alarm is no false one."""
    if any(fault.kind == "resin_exhaustion" for fault in run.faults):
        return ()
    di, feed, running = run.series["ec25:di"], run.series["ec25:permeate"], run.series["run:ro"]
    passed = (di.values > 0.1 * feed.values) & (di.values > 0.7) & (running.at(di.minutes) > 0.5)
    times = run.start_ms + (di.minutes * MINUTE_MS).astype(np.int64)
    changes = [ms for ms, what, _ in run.events if what == "resin"]
    lines = []
    for end in [*changes, run.end_ms]:
        begin = max((c for c in changes if c < end), default=run.start_ms)
        inside = np.flatnonzero(passed & (times >= begin) & (times < end))
        if len(inside) > 20:
            at = int(times[inside[0]])
            note = "bed near its end, as the shop runs it"
            lines.append(
                Expected("worn-bed", "wear", "", at, end, SIDE_EFFECT, "breakthrough", "di", at, note)
            )
    return tuple(lines)
