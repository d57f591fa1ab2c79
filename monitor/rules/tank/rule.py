"""Rule `tank`: will there be water on Monday?

Watches the treated-water tank by whatever there is: a level, float switches, a contact on the RO. Level and
use by the hour of the week say how long the water lasts; the RO's own starts, stops and runs say what it
usually does.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.frozen import replace
from monitor.plant.fields import Measure
from monitor.plant.model import Plant
from monitor.plant.units import UnitError
from monitor.readings import Finding, Reading, Reason, Tick
from monitor.rules import starts
from monitor.rules.rule import plant_channel
from monitor.rules.tank import leak
from monitor.rules.tank.books import closed, day_of, known, on_contact, on_level
from monitor.rules.tank.settings import Settings
from monitor.rules.tank.state import HOUR_MS, Closed, Mark, State
from monitor.rules.tank.verdict import (
    CONDITIONS,
    COVERS,
    MINUTE_MS,
    NAMES,
    ODD_MS,
    Now,
    Unit,
    calls,
    odd_float,
)

# Where nothing changes a Finding is given so often, so that alarms settle.
_SAY_MS = 10 * MINUTE_MS
# Time alone is looked at so often.
_TICK_MS = 5 * MINUTE_MS
# Without a contact: the level rises by more than a sensor's unrest in a quarter of an hour, so water is made.
_RISE_STEPS, _RISE_SHARE = 3.0, 0.002
_NOON_H = 12
_SURE = {"level": 0.95, "float": 0.85, "stop": 0.8, "contact": 0.75, "forecast": 0.75, "least fall": 0.85}


class Tank:
    """One configured watch over a tank."""

    kind = "tank"
    remembers_days = 45  # four weeks of use by the hour of the week, and the runs of a month

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        named = {
            key: plant_channel(plant, name, key)
            for key in ("level", "low_float", "high_float", "running")
            if (name := getattr(settings, key)) is not None
        }
        contacts = [name for key, name in named.items() if key != "level"]
        if len(set(contacts)) < len(contacts):
            raise ValueError("low_float, high_float and running are three contacts, and one is named twice")
        self._key = {name: key for key, name in named.items()}
        self.channels = frozenset(named.values())
        self._named = named
        self.subject = next(iter(named.values()))
        self._where = plant.place_of(self.subject)
        self._quantity = plant.channels[named["level"]].quantity if "level" in named else "level"
        self.unit = self._unit(settings, plant)
        if self.unit.high is not None and self.unit.high <= self.unit.low:
            raise ValueError(f'high = "{settings.high}" lies no higher than low; a tank cannot be both')
        self.rests_on = self.channels

    def _unit(self, settings: Settings, plant: Plant) -> Unit:
        level, running = self._named.get("level"), self._named.get("running")
        every = 0 if level is None else plant.interval_of(level)
        resolution = 1.0 if level is None else _resolution(plant, level)
        return Unit(
            zone=ZoneInfo(plant.site.timezone),
            has_level=level is not None,
            has_contact=running is not None,
            low=0.0 if settings.low is None else self._as_level("low", settings.low),
            high=None if settings.high is None else self._as_level("high", settings.high),
            resolution=resolution,
            trusted_ms=max(HOUR_MS, 3 * every),
            contact_ms=max(HOUR_MS // 2, 3 * (0 if running is None else plant.interval_of(running))),
            start_within_ms=settings.start_within,
            warn_h=settings.warn / HOUR_MS,
        )

    def _as_level(self, key: str, found: Measure) -> float:
        try:
            return found.canonical(self._quantity)
        except UnitError as error:
            raise ValueError(f"{key}: a value in a unit of {self._quantity} ({error})") from error

    def start(self) -> State:
        return State()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not reading.usable or reading.again or reading.reasons & (Reason.JUMP | Reason.FLAT):
            return state, ()
        key, now_ms = self._key[reading.channel], reading.time_ms
        if key == "level":
            return self._judged(self._on_level(state, reading), now_ms)
        on = reading.value > 0.5
        if key == "running":
            return self._on_running(state, now_ms, on)
        before = state.floats.get(key)
        since_ms = before.since_ms if before is not None and before.on == on else now_ms
        state = replace(state, floats={**state.floats, key: Closed(on, since_ms, now_ms)})
        return self._judged(state, now_ms)

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        if tick.time_ms % _TICK_MS:
            return state, ()
        state = self._at_noon(state, tick.time_ms)
        return self._judged(state, tick.time_ms)

    def _on_running(self, state: State, now_ms: int, on: bool) -> tuple[State, tuple[Finding, ...]]:
        shown = state.level.values[-1] if state.level.values else -1.0
        trusted = now_ms - state.level.heard_ms <= self.unit.trusted_ms
        pump = on_contact(
            state.pump, now_ms, on, shown if trusted else -1.0, self.unit.zone, self.unit.contact_ms
        )
        counted = starts.seen(state.starts, now_ms, on, day_of(now_ms, self.unit.zone))
        return self._judged(replace(state, pump=pump, starts=counted), now_ms)

    def _on_level(self, state: State, reading: Reading) -> State:
        ran = state.pump.on if self.unit.has_contact else None
        level, mark = on_level(state.level, reading.time_ms, reading.value, ran, self.unit.zone)
        state = replace(state, level=level)
        if mark is None:
            return state
        if not self.unit.has_contact:
            mark, state = self._by_rise(state, mark)
        return replace(state, level=closed(state.level, mark, self.unit.zone, not state.below_ms))

    def _by_rise(self, state: State, mark: Mark) -> tuple[Mark, State]:
        """Without a contact a level that rises says that water is made."""
        last = state.level.marks[-1] if state.level.marks else None
        if last is None or mark.at_ms - last.at_ms > HOUR_MS:
            return mark, state
        step = max(_RISE_STEPS * self.unit.resolution, _RISE_SHARE * abs(mark.level))
        on = mark.level - last.level > step
        mark = mark._replace(ran=float(on))
        pump = on_contact(state.pump, mark.at_ms, on, last.level, self.unit.zone, self.unit.trusted_ms)
        counted = starts.seen(state.starts, mark.at_ms, on, day_of(mark.at_ms, self.unit.zone))
        return mark, replace(state, pump=pump, starts=counted)

    def _at_noon(self, state: State, now_ms: int) -> State:
        if not self.unit.has_level or "leak" not in self.settings.watch_for:
            return state
        day = day_of(now_ms - _NOON_H * HOUR_MS, self.unit.zone)
        quiet = leak.judged(state.quiet, state.level, day, now_ms, self.unit.resolution)
        return state if quiet is state.quiet else replace(state, quiet=quiet)

    def _judged(self, state: State, now_ms: int) -> tuple[State, tuple[Finding, ...]]:
        """Which conditions hold: told when one changes, and now and then."""
        if 0 <= now_ms - state.looked_ms < MINUTE_MS:
            return state, ()
        now = Now(self.unit, state, now_ms)
        below_ms = (state.below_ms or now_ms) if calls(self.unit, state, now) else 0
        odd_ms = (state.odd_ms or now_ms) if odd_float(self.unit, state, now) else 0
        state = replace(state, below_ms=below_ms, odd_ms=odd_ms, looked_ms=now_ms)
        found = self._found(state, now)
        told = {name: state.told.get(name, now_ms) for name in found}
        changed = told.keys() != state.told.keys()
        if not changed and now_ms - state.said_ms < _SAY_MS:
            return state, ()
        quiet = [name for name in self.settings.watch_for if name not in found]
        silent = [name for name in quiet if self._can(state, now, name)]
        state = replace(state, told=told, said_ms=now_ms)
        facts = self._facts(now)
        more = self._forecast(state, now) if found else {}
        findings = [
            self._finding(name, True, told[name], now_ms, {**facts, **more, **found[name]}) for name in found
        ]
        findings += [
            self._finding(name, False, now_ms, now_ms, {**facts, "check": name, "by": ""}) for name in silent
        ]
        return state, tuple(findings)

    def _found(self, state: State, now: Now) -> dict[str, dict[str, Any]]:
        found: dict[str, dict[str, Any]] = {}
        for name, judge in CONDITIONS.items():
            if name in self.settings.watch_for and (one := judge(self.unit, state, now)) is not None:
                found[name] = one
        if "short-cycling" in self.settings.watch_for and state.starts.told:
            found["short-cycling"] = {"check": "short-cycling", **starts.evidence_of(state.starts)}
        if "float" in self.settings.watch_for and state.odd_ms and now.at_ms - state.odd_ms >= ODD_MS:
            found["float"] = {"check": "float", "by": _which(state)}
        if "not-made" in found and found.get("low", {}).get("by") == "forecast":
            del found["low"]  # its message says how long the water lasts
        for first, others in COVERS.items():
            for other in others if first in found else ():
                # A level is no float: what it says of itself is told all the same.
                if first != "float" or found.get(other, {}).get("by") == "float":
                    found.pop(other, None)
        return found

    def _can(self, state: State, now: Now, name: str) -> bool:
        """Whether it can be said now that a condition is gone; what is not known leaves an alarm standing."""
        if name in ("low", "high", "float") and not state.floats:
            return now.level is not None
        if name == "leak":
            return now.level is not None
        if name in ("not-made", "long-run"):
            return now.running is not None or now.level is not None
        return True

    def _finding(
        self, name: str, holds: bool, since_ms: int, now_ms: int, evidence: dict[str, Any]
    ) -> Finding:
        began = evidence.get("calling_since_ms")
        return Finding(
            condition=f"{self.settings.id}/{NAMES[name]}",
            subject=self.subject,
            holds=holds,
            time_ms=now_ms,
            since_ms=min(int(began), now_ms) if isinstance(began, int) and holds else since_ms,
            confidence=_SURE.get(str(evidence.get("by")), 0.7),
            evidence=evidence,
        )

    def _facts(self, now: Now) -> dict[str, Any]:
        return {
            "where": self._where,
            "channel": self.subject,
            "quantity": self._quantity,
            "level": now.level,
            "low": self.unit.low if self.unit.has_level else None,
            "high": self.unit.high,
            "running": now.running,
            "ran_ms": now.at_ms - now.pump.since_ms if now.running else None,
            "stood_ms": now.at_ms - now.pump.since_ms if now.running is False else None,
            "start": now.start,
            "stop": now.stop,
            "blind": list(_blind(self._named.keys())),
        }

    def _forecast(self, state: State, now: Now) -> dict[str, Any]:
        """How long the water lasts, as the RO is now."""
        if now.level is not None and now.level <= self.unit.low:
            return {"learned": True, "lasts_h": [None, None, None], "empty_at": [None, None, None]}
        lasting = now.filled if now.running else now.standing
        hours = (lasting.likely_h, lasting.soonest_h, lasting.latest_h)
        return {
            "learned": known(state.level.use),
            "lasts_h": list(hours),
            "empty_at": [self._clock(now.at_ms, h) for h in hours],
        }

    def _clock(self, now_ms: int, hours: float | None) -> str | None:
        """The shop's local time so many hours on, to the quarter of an hour."""
        if hours is None:
            return None
        at = datetime.fromtimestamp(now_ms / 1000, self.unit.zone) + timedelta(hours=hours)
        return (at - timedelta(minutes=at.minute % 15)).strftime("%Y-%m-%dT%H:%M")


def _which(state: State) -> str:
    low_float, high_float = state.floats.get("low_float"), state.floats.get("high_float")
    if low_float is not None and high_float is not None and low_float.on and high_float.on:
        return "both floats"
    return "high float" if low_float is None or (high_float is not None and high_float.on) else "low float"


def _blind(named: Any) -> tuple[str, ...]:
    """What cannot be told from what there is, in words."""
    found = []
    if "level" not in named:
        found.append("how long the water lasts, and a leak: there is no level")
    if "running" not in named and "level" in named:
        found.append("whether the RO runs, but by a level that rises: there is no contact on it")
    elif "running" not in named:
        found.append("whether the RO runs: there is no contact on it")
    if "level" not in named and "high_float" not in named:
        found.append("whether the tank runs over, but by an RO that runs longer than ever")
    return tuple(found)


def build(settings: Settings, plant: Plant) -> Tank:
    """The rule for this plant.

    Raises: ValueError naming the key that does not fit the plant and what would.
    """
    return Tank(settings, plant)


def _resolution(plant: Plant, channel: str) -> float:
    """The last digit of the sensor; of litres that are computed, that of its own figures."""
    return plant.channels[channel].canonical_resolution
