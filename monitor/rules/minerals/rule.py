"""Rule `minerals`: what top-offs leave behind in a sump, and when the coolant's limit will be reached.

Evaporation takes water only. So each top-off adds its minerals to those that are there, and a sump fed with
water that looks harmless is at its coolant's limit within months. Nobody sees that happen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal, NamedTuple

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import HardnessField, Id, Measure, PositiveDurationMs, RefersTo, ShareField
from monitor.plant.model import Plant, Sump
from monitor.readings import Evidence, Finding, OperatorAction, Reading, Tick
from monitor.rules.minerals.balance import (
    Balance,
    Forecast,
    after_test,
    aged,
    begun,
    charged,
    forecast,
    present,
    topped_off,
)
from monitor.rules.rule import RuleSettings, plant_channel
from monitor.rules.sumps import (
    DAY_MS,
    READ_AS_HARDNESS,
    Days,
    Water,
    believed,
    channel_in,
    chosen,
    counted,
    day_words,
)

# What is usual in a sump is what it took in these last days, once so many are known.
_USUAL_DAYS = 56
_FEWEST_DAYS = 14
_KEPT_DAYS = 60
# An alarm is raised when the limit may well be reached within `warn`; where neither a new charge nor a test
# is known, when that is four times as likely as not. It returns when it has become unlikely.
_RAISED, _RAISED_BLIND, _RETURNED = 0.5, 0.8, 0.1
# A sump of unknown age is taken to have got no further than this, times its limit.
_MOST = 1.2


class Settings(RuleSettings):
    """`kind = "minerals"`."""

    kind: Literal["minerals"]
    water: Annotated[
        Id,
        RefersTo("channel", READ_AS_HARDNESS),
        Field(description="the water sumps are filled with: its hardness, or its conductivity"),
    ]
    hardness_share: Annotated[
        ShareField | None,
        Field(
            description="of a conductivity: how much of its salts is hardness; from the tap where left out"
        ),
    ] = None
    sumps: Annotated[
        tuple[Id, ...],
        RefersTo("sump"),
        Field(description="the sumps watched; empty means all whose coolant has a mineral_limit"),
    ] = ()
    warn: Annotated[PositiveDurationMs, Field(description="how long ahead of the limit it is told")] = (
        28 * DAY_MS
    )
    mixture_lost: Annotated[
        tuple[ShareField, ShareField],
        Field(description="which part of a sump's loss usually leaves as mixture, least and most"),
    ] = (Measure(5.0, "%"), Measure(50.0, "%"))
    test_error: Annotated[
        ShareField, Field(description="what a hardness test of the sump is good to, one standard deviation")
    ] = Measure(15.0, "%")
    better: Annotated[
        HardnessField, Field(description="hardness of the better water that could be had, as CaCO3")
    ] = Measure(5.0, "mg/L")


class Pour(NamedTuple):
    """What came into a sump on one day: litres of water of a hardness, and coolant it replaced."""

    day: int
    litres: float
    mg_l: float
    drawn_l: float


@dataclass(frozen=True, slots=True)
class SumpState:
    """All that is remembered of one sump."""

    balance: Balance | None = None
    counter: float | None = None
    waiting_l: float = 0.0  # filled in since the books were last made up
    drawn_l: float = 0.0  # taken out, not yet replaced
    pours: tuple[Pour, ...] = ()
    first_day: int = 0  # of the first pour since the water is known
    charged_day: int = 0
    tested_day: int = 0
    tested_mg_l: float = 0.0
    holds: bool = False
    since_ms: int = 0


@dataclass(frozen=True, slots=True)
class State:
    """The sumps by id, and the water as it was lately."""

    sumps: Mapping[str, SumpState] = field(default_factory=dict)
    water_mg_l: float | None = None
    water_ms: int = 0
    judged_day: int = 0

    version = 1


@dataclass(frozen=True, slots=True)
class Watched:
    """A sump with what its coolant allows."""

    sump: Sump
    coolant: str
    limit_mg_l: float


class Minerals:
    """One configured watch over what top-offs leave behind."""

    kind = "minerals"
    remembers_days = 400  # a charge lasts so long; each top-off of it counts

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._water = Water(plant, plant_channel(plant, settings.water, "water"), settings.hardness_share)
        low, high = (share.in_unit("1") for share in settings.mixture_lost)
        if not 0.0 <= low < high <= 1.0:
            raise ValueError(
                'mixture_lost must be two shares of the loss, the lower first, like ["5 %", "50 %"]'
            )
        self._shares = (low, high)
        self._error = settings.test_error.in_unit("1")
        if not 0.02 <= self._error <= 1.0:
            raise ValueError('test_error must be from "2 %" to "100 %" of the reading')
        self._better_mg_l = settings.better.in_unit("mg/L")
        self._days = Days(plant)
        self.watched = {w.sump.id: w for w in _watched(settings, plant)}
        self._counters = {c.id: s for s in self.watched if (c := channel_in(plant, s, "volume"))}
        self._tests = {c.id: s for s in self.watched if (c := channel_in(plant, s, "hardness"))}
        self.channels = frozenset({settings.water, *self._counters, *self._tests})

    def start(self) -> State:
        return State()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not believed(reading):
            return state, ()
        if reading.channel == self._water.channel:
            return self._of_water(state, reading), ()
        if reading.channel in self._counters:
            name = self._counters[reading.channel]
            sump = state.sumps.get(name) or SumpState()
            more_l = counted(sump.counter, reading.value)
            sump = replace(sump, counter=reading.value, waiting_l=sump.waiting_l + more_l)
            return _with(state, name, sump), ()
        name = self._tests[reading.channel]
        day = self._days.day(reading.time_ms)
        sump = self._made_up(state, name, state.sumps.get(name) or SumpState(), day)
        balance = sump.balance or begun(reading.value, self._shares, reading.value)
        balance = after_test(balance, reading.value, self._error)
        return _with(
            state, name, replace(sump, balance=balance, tested_day=day, tested_mg_l=reading.value)
        ), ()

    def _of_water(self, state: State, reading: Reading) -> State:
        """The water of the last day or so; of a value read by hand, the value itself."""
        found = self._water.hardness_mg_l(reading.value)
        before, apart_ms = state.water_mg_l, reading.time_ms - state.water_ms
        if before is not None:
            found = before + (found - before) * min(max(apart_ms, 0) / DAY_MS, 1.0)
        return replace(state, water_mg_l=found, water_ms=max(reading.time_ms, state.water_ms))

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        """A top-off, coolant taken out, or a new charge."""
        name = action.target
        if name not in self.watched:
            return state, ()
        sump = state.sumps.get(name) or SumpState()
        if action.event == "top-off":
            sump = replace(sump, waiting_l=sump.waiting_l + action.value)
        elif action.event == "drawn-off":
            sump = replace(sump, drawn_l=sump.drawn_l + action.value)
        elif action.event == "sump-change":
            sump = self._recharged(state, name, sump, self._days.day(action.time_ms))
        else:
            return state, ()
        return _with(state, name, sump), ()

    def _recharged(self, state: State, name: str, sump: SumpState, day: int) -> SumpState:
        """Told of a new charge, days later perhaps: what came in since then counts."""
        water = state.water_mg_l
        if water is None or day < sump.charged_day:
            return replace(sump, charged_day=max(day, sump.charged_day))
        watched = self.watched[name]
        balance = charged(sump.balance or begun(water, self._shares, watched.limit_mg_l), water)
        for pour in sump.pours:
            if pour.day > day:
                balance = topped_off(balance, pour.litres, pour.drawn_l, pour.mg_l, watched.sump.volume_l)
        return replace(sump, balance=balance, charged_day=day, drawn_l=0.0, waiting_l=0.0)

    def _made_up(self, state: State, name: str, sump: SumpState, day: int) -> SumpState:
        """The books of a sump with what came in since they were made up last."""
        water, watched = state.water_mg_l, self.watched[name]
        if water is None:
            return sump
        balance = sump.balance
        if balance is None:
            balance = begun(water, self._shares, _MOST * watched.limit_mg_l)
            if sump.charged_day:
                balance = charged(balance, water)
        pours = sump.pours
        if sump.waiting_l > 0.0:
            drawn_l = min(sump.drawn_l, sump.waiting_l)
            balance = topped_off(balance, sump.waiting_l, drawn_l, water, watched.sump.volume_l)
            pours = (*pours, Pour(day, sump.waiting_l, water, drawn_l))
            sump = replace(sump, drawn_l=sump.drawn_l - drawn_l, waiting_l=0.0)
        pours = tuple(pour for pour in pours if pour.day > day - _KEPT_DAYS)
        return replace(sump, balance=balance, pours=pours, first_day=sump.first_day or day)

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        day = self._days.judged(tick.time_ms)
        if day == state.judged_day:
            return state, ()
        passed = min(max(day - state.judged_day, 0), _KEPT_DAYS) if state.judged_day else 0
        found: list[Finding] = []
        sumps = dict(state.sumps)
        for name in self.watched:
            sump = self._made_up(state, name, sumps.get(name) or SumpState(), day)
            if sump.balance is not None and passed:
                sump = replace(sump, balance=aged(sump.balance, passed))
            sumps[name], told = self._judge(name, sump, day, tick.time_ms)
            found += told
        return replace(state, sumps=sumps, judged_day=day), tuple(found)

    def _judge(
        self, name: str, sump: SumpState, day: int, now_ms: int
    ) -> tuple[SumpState, tuple[Finding, ...]]:
        known_days = min(day - sump.first_day + 1, _USUAL_DAYS)
        pours = [pour for pour in sump.pours if pour.day > day - known_days]
        litres = sum(pour.litres for pour in pours)
        if sump.balance is None or known_days < _FEWEST_DAYS or litres <= 0.0:
            return sump, ()
        makeup = sum(pour.litres * pour.mg_l for pour in pours) / litres
        watched, balance, litres_d = self.watched[name], sump.balance, litres / known_days
        volume_l = watched.sump.volume_l
        ahead = forecast(balance, watched.limit_mg_l, volume_l, litres_d, makeup)
        likely = ahead.within(self.settings.warn / DAY_MS)
        line = _RETURNED if sump.holds else (_RAISED if balance.anchored else _RAISED_BLIND)
        holds = likely >= line
        sump = replace(sump, holds=holds, since_ms=sump.since_ms if holds and sump.holds else now_ms)
        # Only a message asks what better water would buy.
        soft = min(self._better_mg_l, makeup)
        better = forecast(balance, watched.limit_mg_l, volume_l, litres_d, soft) if holds else ahead
        told = Finding(
            condition=f"{self.settings.id}/{name}",
            subject=name,
            holds=holds,
            time_ms=now_ms,
            since_ms=sump.since_ms,
            confidence=round(min(max(likely if holds else 1.0 - likely, 0.05), 0.95), 3),
            evidence={
                **self._evidence(watched, sump, day, ahead, better),
                "litres_week": round(7.0 * litres_d, 1),
                "makeup_mg_l": round(makeup, 1),
                "each_mg_l": round(20.0 * makeup / volume_l, 2),
                "better_mg_l": self._better_mg_l,
                "known_days": known_days,
            },
        )
        return sump, (told,)

    def _evidence(
        self, watched: Watched, sump: SumpState, day: int, ahead: Forecast, better: Forecast
    ) -> Evidence:
        assert sump.balance is not None
        low, middle, high = present(sump.balance)
        over = middle - 0.8 * watched.limit_mg_l
        return {
            "sump": watched.sump.label,
            "coolant": watched.coolant,
            "volume_l": round(watched.sump.volume_l, 0),
            "limit_mg_l": round(watched.limit_mg_l, 0),
            "mg_l": round(middle, 0),
            "low_mg_l": round(low, 0),
            "high_mg_l": round(high, 0),
            "likely_d": _finite(ahead.likely_d),
            "soonest_d": _finite(ahead.soonest_d),
            "latest_d": _finite(ahead.latest_d),
            "likely": _on(day, ahead.likely_d),
            "soonest": _on(day, ahead.soonest_d),
            "latest": _on(day, ahead.latest_d),
            "better": _on(day, better.likely_d),
            "better_d": _finite(better.likely_d),
            "water": self._water.what,
            "at_most": self._water.at_most,
            "anchored": sump.balance.anchored,
            "tested": day_words(sump.tested_day) if sump.tested_day else "",
            "tested_mg_l": round(sump.tested_mg_l, 0),
            "charged": day_words(sump.charged_day) if sump.charged_day else "",
            # What would have to be replaced by such water as is to be had, to be a fifth below the limit.
            "replace_l": round(
                max(over, 0.0) / max(middle - self._better_mg_l, 1.0) * watched.sump.volume_l, 0
            ),
        }


def _with(state: State, name: str, sump: SumpState) -> State:
    return replace(state, sumps={**state.sumps, name: sump})


def _finite(days: float) -> float | None:
    return round(days, 0) if math.isfinite(days) else None


def _on(day: int, days: float) -> str:
    """The day that lies so many days ahead; empty for never, or beyond two years."""
    return day_words(day + round(days)) if days < 730 else ""


def _watched(settings: Settings, plant: Plant) -> Iterable[Watched]:
    coolants = {coolant.id: coolant for coolant in plant.coolant}
    for sump in chosen(settings.sumps, plant):
        coolant = coolants.get(sump.coolant or "")
        if coolant is not None and coolant.mineral_limit is not None:
            yield Watched(sump, coolant.label, coolant.mineral_limit.in_unit("mg/L"))
        elif settings.sumps:
            raise ValueError(f'sumps: "{sump.id}" has no coolant with a mineral_limit to be held against')


def build(settings: Settings, plant: Plant) -> Minerals:
    """The rule for this plant.

    Raises: ValueError naming a sump without a limit, or a setting that does not fit.
    """
    rule = Minerals(settings, plant)
    if not rule.watched:
        raise ValueError(
            "sumps: no sump of this site has a coolant with a mineral_limit; give [[coolant]] one"
        )
    return rule
