"""Rule `loss`: sumps that lose coolant faster than evaporation explains, and levels that fall fast.

One rule for all sumps of a shop, since neighbours tell weather and holidays from a leak. The books of each
sump (`balance.py`) turn levels into litres a day, like compared with like; `judgement.py` holds the days
against the sump's own past, its neighbours and physics; `burst.py` sees a fast fall.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import Id, Measure, PositiveDurationMs, RefersTo, ShareField
from monitor.plant.model import Channel, Plant, Sump
from monitor.readings import Finding, Reading, Reason, Tick
from monitor.rules.explaining import Figures, Moment
from monitor.rules.loss.balance import (
    BLOCK_MS,
    DAY_MS,
    HOUR_MS,
    Books,
    Day,
    Geometry,
    on_counter,
    on_level,
    on_pump,
)
from monitor.rules.loss.burst import Fast
from monitor.rules.loss.burst import on_level as fast_on_level
from monitor.rules.loss.evidence import of_burst, of_loss
from monitor.rules.loss.explain import of_sump
from monitor.rules.loss.judgement import (
    QUESTION_DAYS,
    Neighbour,
    Question,
    Sums,
    Usual,
    at_once,
    judged,
    marked,
    question,
    usual,
    weather,
)
from monitor.rules.loss.words import wording
from monitor.rules.rule import RuleSettings

__all__ = ["Loss", "Settings", "State", "build", "wording"]

# Accounts close at this hour of the shop's own time: where nobody works at night, the level is quiet by then.
_CLOSES_H = 5
# Then the days are judged together, once late values have had time to come.
_GRACE_MS = 2 * HOUR_MS
# An account older than this says nothing of today.
_OLD_MS = 2 * DAY_MS
_MINUTE_MS = 60_000


class Settings(RuleSettings):
    """`kind = "loss"`."""

    kind: Literal["loss"]
    sumps: Annotated[
        tuple[Id, ...],
        RefersTo("sump"),
        Field(description="the sumps watched; empty means all that have a level and a surface"),
    ] = ()
    watch_for: Annotated[
        Literal["both", "slow", "fast"],
        Field(description="a slow loss, a fast fall, or both; two rules can give each its own priority"),
    ] = "both"
    extra: Annotated[
        ShareField, Field(description="the extra loss looked for, as a share of the usual one")
    ] = Measure(50.0, "%")
    learn: Annotated[
        PositiveDurationMs,
        Field(description="until so many days are known, judged by neighbours and physics"),
    ] = 14 * DAY_MS


@dataclass(frozen=True, slots=True)
class SumpState:
    """All that is remembered of one sump."""

    books: Books = field(default_factory=Books)
    fast: Fast = field(default_factory=Fast)
    sums: Sums = field(default_factory=Sums)
    own: Usual | None = None  # what was usual when it was last judged without an alarm
    asked: bool = False  # questioned by neighbours and physics
    judged_day: int = 0
    told_ms: int = 0  # when its fast fall was last given as a Finding


@dataclass(frozen=True, slots=True)
class State:
    """The sumps by id, and the account day last judged."""

    sumps: Mapping[str, SumpState] = field(default_factory=dict)
    judged_day: int = 0

    version = 2


@dataclass(frozen=True, slots=True)
class Watched:
    """A sump with the channels that tell of it."""

    sump: Sump
    geometry: Geometry
    surface_m2: float
    level: Channel
    pump: str | None
    counter: str | None


class Loss:
    """One configured watch over the sumps."""

    kind = "loss"
    remembers_days = 60  # some of the days kept may be missing

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self.extra = settings.extra.in_unit("1")
        if not 0.05 <= self.extra <= 10:
            raise ValueError('extra must be from "5 %" to "1000 %" of the usual loss')
        self._zone = ZoneInfo(plant.site.timezone)
        self.watched = {w.sump.id: w for w in _watched(settings, plant)}
        self._of: dict[str, str] = {}
        for name, watched in self.watched.items():
            for channel in (watched.level.id, watched.pump, watched.counter):
                if channel is not None:
                    self._of[channel] = name
        self.channels = frozenset(self._of)
        self.rests_on = frozenset(watched.level.id for watched in self.watched.values())

    def start(self) -> State:
        return State()

    def account_day(self, time_ms: int) -> int:
        """Number of the account a time belongs to; accounts close in the early morning of the shop."""
        local = datetime.fromtimestamp((time_ms - _CLOSES_H * HOUR_MS) / 1000, self._zone)
        return local.date().toordinal()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not reading.usable or reading.reasons & (Reason.JUMP | Reason.FLAT):
            return state, ()
        name = self._of[reading.channel]
        watched, before = self.watched[name], state.sumps.get(name) or SumpState()
        if reading.channel == watched.pump:
            after = replace(before, books=on_pump(before.books, reading, watched.geometry))
        elif reading.channel == watched.counter:
            after = replace(before, books=on_counter(before.books, reading))
        else:
            after = self._on_level(before, reading, watched)
        found: tuple[Finding, ...] = ()
        if reading.channel == watched.level.id and self.settings.watch_for != "slow":
            after, found = self._fast(watched, before, after, reading)
        return replace(state, sumps={**state.sumps, name: after}), found

    def _on_level(self, before: SumpState, reading: Reading, watched: Watched) -> SumpState:
        fast, geometry = before.fast, watched.geometry
        if self.settings.watch_for != "slow":
            fast = fast_on_level(fast, reading, before.books, geometry)
        new_block = reading.time_ms // BLOCK_MS * BLOCK_MS != before.books.block_ms
        day = self.account_day(reading.time_ms) if new_block else before.books.day
        books = on_level(before.books, reading, geometry, day)
        if books.days and self.settings.watch_for == "fast":
            books = replace(books, days=())
        return replace(before, fast=fast, books=books)

    def _fast(
        self, watched: Watched, before: SumpState, after: SumpState, reading: Reading
    ) -> tuple[SumpState, tuple[Finding, ...]]:
        """A Finding when a fast fall begins and ends; else every ten minutes what there is."""
        fast = after.fast
        if fast.holds == before.fast.holds and reading.time_ms - after.told_ms < 10 * _MINUTE_MS:
            return after, ()
        finding = Finding(
            condition=f"{self.settings.id}/{watched.sump.id}/burst",
            subject=watched.sump.id,
            holds=fast.holds,
            time_ms=reading.time_ms,
            since_ms=fast.since_ms or reading.time_ms,
            confidence=0.9 if fast.settled else 0.8,
            evidence=of_burst(watched.sump, watched.geometry, fast, after.books, reading.value),
            rests_on=(watched.level.id,),
        )
        return replace(after, told_ms=reading.time_ms), (finding,)

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        day = self.account_day(tick.time_ms - _GRACE_MS)
        if day == state.judged_day or self.settings.watch_for == "fast":
            return state, ()
        state = replace(state, judged_day=day)
        known = {name: self._usual(state, name) for name in self.watched}
        found: list[Finding] = []
        sumps = dict(state.sumps)
        for name in state.sumps:
            sump = self._judge(state, name, known)
            asked = self._question(state, name)
            sumps[name] = replace(sump, asked=asked is not None and asked.holds)
            found += self._finding(name, sumps[name], sump.own or known[name], asked, tick.time_ms)
        return replace(state, sumps=sumps), tuple(found)

    def explain(self, state: State, now: Moment) -> Figures:
        """Each sump's accounts, what is usual there, and the evidence beside what it takes."""
        rule, learn_ms = self.settings.id, self.settings.learn
        told: dict[str, Sequence[str]] = {}
        for name, sump in state.sumps.items():
            told |= of_sump(sump, self.watched[name].geometry, rule, name, learn_ms, now)
        return told

    def _sensor_l(self, name: str, books: Books) -> float:
        """Litres by which an account may be wrong on the sensor's side: both of its marks."""
        watched = self.watched[name]
        # Of two marks: rounding, unrest, and a little that wanders from day to day.
        rounding_mm = 0.29 * watched.level.canonical_resolution
        return watched.geometry.l_per_mm * math.hypot(
            math.sqrt(2) * rounding_mm, math.sqrt(2) * books.unrest_mm, 0.45
        )

    def _usual(self, state: State, name: str) -> Usual | None:
        sump = state.sumps.get(name)
        return None if sump is None else usual(sump.books.days, self._sensor_l(name, sump.books))

    def _judge(self, state: State, name: str, known: Mapping[str, Usual | None]) -> SumpState:
        """The sump with its new days judged, one after the other or, on a coarse sensor, several at once.

        After a stop of the watch there may be many: each is held against what was usual before it.
        """
        sump = state.sumps[name]
        others = self._others(state, name, known)
        while new := [d for d in sump.books.days if d.day > sump.judged_day]:
            past = [d for d in sump.books.days if d.day <= sump.judged_day]
            own = self._own(name, sump, past)
            if own is None or self._held_up(name, own):
                sump = replace(sump, judged_day=new[0].day)
                continue
            at_a_time = at_once(own, past)
            if len(new) < at_a_time:
                break
            chunk = new[:at_a_time]
            around = weather(chunk[-1].day, others)
            sums = judged(sump.sums, chunk, own, around, self.extra, self.watched[name].surface_m2)
            books = replace(sump.books, days=marked(sump.books.days, sump.sums, sums))
            sump = replace(
                sump, books=books, sums=sums, judged_day=chunk[-1].day, own=sump.own if sums.holds else own
            )
        return sump

    def _own(self, name: str, sump: SumpState, past: Sequence[Day]) -> Usual | None:
        """What is usual by the days before; what was last called so, when all that is kept is suspect."""
        own = usual(past, self._sensor_l(name, sump.books))
        return own if own is not None and own.days * DAY_MS >= self.settings.learn else sump.own

    def _others(self, state: State, name: str, known: Mapping[str, Usual | None]) -> list[Neighbour]:
        return [
            (s.books.days, known[other], self.watched[other].surface_m2)
            for other, s in state.sumps.items()
            if other != name and not s.sums.holds
        ]

    def _held_up(self, name: str, own: Usual) -> bool:
        """A level that hardly falls though nothing is counted in: something unmetered fills the sump."""
        a_day_l = 8 * own.on_l_h + 16 * own.idle_l_h
        return a_day_l < 0.25 * self.watched[name].surface_m2

    def _question(self, state: State, name: str) -> Question | None:
        others = [
            (s.books.days, self.watched[other].surface_m2)
            for other, s in state.sumps.items()
            if other != name
        ]
        sump = state.sumps[name]
        return question(sump.books.days, self.watched[name].surface_m2, others, held=sump.asked)

    def _finding(
        self, name: str, sump: SumpState, own: Usual | None, asked: Question | None, now_ms: int
    ) -> Iterable[Finding]:
        """What is to be said of a sump today; nothing where it could not be judged."""
        days, sums, watched = sump.books.days, sump.sums, self.watched[name]
        if not days or now_ms - days[-1].end_ms > _OLD_MS or (sump.own is None and asked is None):
            return
        since_ms = sums.since_ms if sums.holds else days[-min(len(days), QUESTION_DAYS)].end_ms
        yield Finding(
            condition=f"{self.settings.id}/{name}",
            subject=name,
            holds=sums.holds or sump.asked,
            time_ms=now_ms,
            since_ms=since_ms,
            confidence=0.9 if sums.holds else 0.6,
            evidence=of_loss(
                watched.sump, watched.geometry, sump.books, sums, own, asked, self.extra, since_ms
            ),
            rests_on=(watched.level.id,),
        )


def _watched(settings: Settings, plant: Plant) -> Iterable[Watched]:
    known = {sump.id: sump for sump in plant.sump}
    for name in settings.sumps:
        if name not in known:
            raise ValueError(f'sumps: "{name}" is no sump of this site; there are: {", ".join(known)}')
    for name in settings.sumps or tuple(known):
        sump = known[name]
        channels = [c for i in plant.instrument if i.sump == name for c in i.channel]
        levels = [c for c in channels if c.quantity == "level"]
        if not levels or sump.surface_m2 is None:
            if settings.sumps:
                lacks = "surface" if levels else "channel of quantity level"
                raise ValueError(f'sumps: "{name}" has no {lacks}, without which no litres can be told')
            continue
        yield _one(plant, sump, levels[0], channels, sump.surface_m2)


def _one(plant: Plant, sump: Sump, level: Channel, channels: list[Channel], surface_m2: float) -> Watched:
    pump = next((c for c in channels if c.quantity == "contact"), None)
    counter = next((c for c in channels if c.quantity == "volume"), None)
    trusted_ms = 1_800_000
    if pump is not None:
        trusted_ms = max(trusted_ms, 3 * plant.instrument_of(pump.id).expected_interval)
    geometry = Geometry(
        l_per_mm=surface_m2,
        resolution_mm=level.canonical_resolution,
        volume_l=sump.volume_l,
        has_pump=pump is not None,
        pump_trusted_ms=trusted_ms,
    )
    return Watched(
        sump, geometry, surface_m2, level, pump.id if pump else None, counter.id if counter else None
    )


def build(settings: Settings, plant: Plant) -> Loss:
    """The rule for this plant.

    Raises: ValueError naming a sump that the plant does not have, or that lacks a level or a surface.
    """
    rule = Loss(settings, plant)
    if not rule.watched:
        raise ValueError("sumps: no sump of this site has both a level and a surface; give one both")
    return rule
