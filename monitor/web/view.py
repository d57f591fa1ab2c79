"""What the page shows, gathered from the store: plain values, no markup."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.plant.model import Channel, Plant
from monitor.plant.units import shown
from monitor.readings import AlarmState, Level, Reading, Standing, Transition, words
from monitor.store import reader

# Two minutes and a half without a tick: whatever the page shows is old.
STALE_MS = 150_000

_STATES = {
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED: "over, not acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "latched, not acknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "latched, acknowledged",
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED: "suppressed by design",
    AlarmState.OUT_OF_SERVICE: "out of service",
}


@dataclass(frozen=True, slots=True)
class Value:
    """One channel as a line of the page."""

    name: str
    text: str
    age: str
    level: str  # good, uncertain, bad, none
    note: str


@dataclass(frozen=True, slots=True)
class Place:
    """A stage, or a sump, with what is measured there."""

    name: str
    kind: str
    values: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """One alarm that stands."""

    name: str
    first_line: str
    priority: str
    state: str
    since: str
    needs_someone: bool


@dataclass(frozen=True, slots=True)
class Now:
    """Everything the page shows at one moment."""

    site: str
    time: str
    trouble: str  # why what is shown cannot be relied on; empty when it can
    alarms: tuple[AlarmLine, ...]
    maintenance: tuple[str, ...]  # what is out of service: until when, who says so, why
    train: tuple[Place, ...]
    sumps: tuple[Place, ...]
    elsewhere: tuple[Value, ...]


def now(
    plant: Plant,
    connection: sqlite3.Connection,
    now_ms: int,
    *,
    daemon_runs: bool,
    first_line: Callable[[Transition], str],
) -> Now:
    """The state of the shop as the store knows it."""
    latest = reader.latest(connection)
    zone = ZoneInfo(plant.site.timezone)
    values = {
        name: _value(channel, latest.get(name), now_ms, plant) for name, channel in plant.channels.items()
    }
    placed = _placed(plant)
    train = tuple(_stage(plant, stage.id, placed, values) for stage in plant.stage)
    sumps = tuple(
        Place(sump.label, "sump", tuple(values[name] for name in placed.get(sump.id, ())))
        for sump in plant.sump
    )
    somewhere = {name for names in placed.values() for name in names}
    return Now(
        site=plant.site.name,
        time=_clock(now_ms, zone),
        trouble=_trouble(reader.last_tick_ms(connection), now_ms, daemon_runs, zone),
        alarms=tuple(_alarm(t, first_line, zone) for t in reader.current_alarms(connection)),
        maintenance=tuple(
            f"{a.target} until {_clock(a.until_ms, zone)}, says {a.by}: {a.comment}"
            for a in reader.maintenance(connection, now_ms)
        ),
        train=train,
        sumps=sumps,
        elsewhere=tuple(value for name, value in values.items() if name not in somewhere),
    )


def _placed(plant: Plant) -> dict[str, list[str]]:
    """Channels by the stage or sump they measure."""
    placed: dict[str, list[str]] = {}
    for name in plant.channels:
        point = plant.point_of(name)
        place = point.after if point is not None else plant.instrument_of(name).sump
        if place is not None:
            placed.setdefault(place, []).append(name)
    return placed


def _stage(plant: Plant, stage: str, placed: dict[str, list[str]], values: dict[str, Value]) -> Place:
    known = next(s for s in plant.stage if s.id == stage)
    return Place(known.label, known.kind, tuple(values[name] for name in placed.get(stage, ())))


def _value(channel: Channel, reading: Reading | None, now_ms: int, plant: Plant) -> Value:
    if reading is None:
        return Value(channel.name or channel.quantity, "no reading yet", "", "none", "")
    notes = words(reading.reasons)
    level = reading.level.name.lower()
    age_ms = max(0, now_ms - reading.time_ms)
    if reading.standing == Standing.GATED:
        notes.append("no flow")
    if age_ms > 3 * plant.interval_of(channel.id) + STALE_MS:
        notes.append("old")
        level = Level.BAD.name.lower()
    text = shown(reading.value, channel.quantity)
    return Value(channel.name or channel.quantity, text, _age(age_ms), level, ", ".join(notes))


def _alarm(t: Transition, first_line: Callable[[Transition], str], zone: ZoneInfo) -> AlarmLine:
    return AlarmLine(
        name=f"{t.condition}#{t.occurrence}",
        first_line=first_line(t),
        priority=t.priority,
        state=f"{_STATES[t.state]}{_by(t, zone)}",
        since=_clock(t.since_ms, zone),
        needs_someone=t.state in (AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED),
    )


def _by(t: Transition, zone: ZoneInfo) -> str:
    """Who brought it into its state; while it is kept back: who or what, why, and until when."""
    if t.silence is None:
        return f" by {t.by}" if t.by else ""
    until = f" until {_clock(t.silence.until_ms, zone)}" if t.silence.until_ms else ""
    return f" by {t.silence.by}{until}{f': {t.silence.why}' if t.silence.why else ''}"


def _trouble(tick_ms: int | None, now_ms: int, daemon_runs: bool, zone: ZoneInfo) -> str:
    last = "never" if tick_ms is None else _clock(tick_ms, zone)
    if not daemon_runs:
        return f"Not watched: the daemon is down. Last minute watched: {last}."
    if tick_ms is None or now_ms - tick_ms > STALE_MS:
        return f"Not judged: the daemon runs but has judged nothing since {last}."
    return ""


def _clock(time_ms: int, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(time_ms / 1000, zone).strftime("%a %Y-%m-%d %H:%M")


def _age(age_ms: int) -> str:
    minutes = age_ms // 60_000
    if minutes < 2:
        return f"{age_ms // 1000} s ago"
    if minutes < 120:
        return f"{minutes} min ago"
    return f"{minutes // 60} h ago" if minutes < 72 * 60 else f"{minutes // 1440} days ago"
