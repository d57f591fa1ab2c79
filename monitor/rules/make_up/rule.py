"""Rule `make-up`: litres a week that each sump takes, and water that is drawn but in nobody's book.

Most shops have no level sensor in any sump. What they have is a hose, people who log what they pour, and
perhaps one meter behind the tank. By weeks, by hours worked and by neighbours that tells a leak from a hot
summer; and what the meter counts beside the book is water nobody knows of.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import Id, Measure, RefersTo, ShareField, VolumeField
from monitor.plant.model import Plant, Sump
from monitor.readings import Evidence, Finding, OperatorAction, Reading, Tick
from monitor.rules.make_up.weeks import (
    KEPT,
    TIMES_NEIGHBOURS,
    Verdict,
    Week,
    beside_neighbours,
    is_more,
    of_hours,
    verdict,
)
from monitor.rules.rule import RuleSettings, plant_channel
from monitor.rules.sumps import HOUR_MS, Days, believed, channel_in, chosen, counted, day_words

_USUAL_HOURS = 40.0
# Between two values of a pump's contact the earlier one holds, for so long at most.
_PUMP_TRUSTED_MS = HOUR_MS
# Less water than this in two weeks is not worth a word, wherever it went.
_LEAST_L = 50.0
# A book that holds so much more than the meter counted: meter or book is wrong.
_OVERBOOKED = 0.15


class Settings(RuleSettings):
    """`kind = "make-up"`."""

    kind: Literal["make-up"]
    sumps: Annotated[
        tuple[Id, ...], RefersTo("sump"), Field(description="the sumps watched; empty means all of the site")
    ] = ()
    more: Annotated[
        ShareField, Field(description="told when a sump takes so much more than is usual for its hours")
    ] = Measure(50.0, "%")
    outflow: Annotated[
        Id | None,
        RefersTo("channel", ("volume",)),
        Field(description="the meter of the water that goes to the sumps, in litres"),
    ] = None
    elsewhere: Annotated[
        VolumeField | None, Field(description="litres a week of it that are used elsewhere: a parts washer")
    ] = None
    unlogged: Annotated[
        ShareField,
        Field(description="told when so large a part of that water is in no book, two weeks in a row"),
    ] = Measure(25.0, "%")


@dataclass(frozen=True, slots=True)
class SumpState:
    """All that is remembered of one sump: its open weeks by number, and those that are closed."""

    counter: float | None = None
    pump_on: bool = False
    pump_ms: int = 0
    open_l: Mapping[int, float] = field(default_factory=dict)
    open_h: Mapping[int, float] = field(default_factory=dict)
    open_n: Mapping[int, int] = field(default_factory=dict)
    weeks: tuple[Week, ...] = ()
    holds: bool = False
    since_ms: int = 0
    asked: bool = False
    asked_ms: int = 0


@dataclass(frozen=True, slots=True)
class State:
    """The sumps by id, and the water drawn: open weeks, and closed ones as (week, drawn, booked)."""

    sumps: Mapping[str, SumpState] = field(default_factory=dict)
    counter: float | None = None
    drawn: Mapping[int, float] = field(default_factory=dict)
    books: tuple[tuple[int, float, float], ...] = ()
    wrong: str = ""  # `unlogged` or `overbooked`
    wrong_ms: int = 0
    first_week: int = 0  # the first whole one
    closed: int = 0  # the newest closed week
    judged_day: int = 0

    version = 1


@dataclass(frozen=True, slots=True)
class Watched:
    """A sump with what tells of it."""

    sump: Sump
    counter: str | None
    pump: str | None


class MakeUp:
    """One configured watch over what sumps take."""

    kind = "make-up"
    remembers_days = 7 * KEPT

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._more = settings.more.in_unit("1")
        if not 0.1 <= self._more <= 10.0:
            raise ValueError('more must be from "10 %" to "1000 %" of the usual')
        self._unlogged = settings.unlogged.in_unit("1")
        if not 0.05 <= self._unlogged < 1.0:
            raise ValueError('unlogged must be from "5 %" to less than "100 %" of the water drawn')
        if settings.outflow is not None:
            plant_channel(plant, settings.outflow, "outflow")
        elif settings.elsewhere is not None:
            raise ValueError(
                "elsewhere says what of outflow goes elsewhere: give outflow, the meter's channel"
            )
        self._elsewhere_l = 0.0 if settings.elsewhere is None else settings.elsewhere.canonical("volume")
        self._where = "" if settings.outflow is None else plant.span_words(settings.outflow)
        self._days = Days(plant)
        self.watched = {sump.id: _one(plant, sump) for sump in chosen(settings.sumps, plant)}
        self._surfaces = {
            name: watched.sump.surface_m2
            for name, watched in self.watched.items()
            if watched.sump.surface_m2 is not None
        }
        self._of = {
            channel: name for name, w in self.watched.items() for channel in (w.counter, w.pump) if channel
        }
        outflow = () if settings.outflow is None else (settings.outflow,)
        self.channels = frozenset({*self._of, *outflow})

    def start(self) -> State:
        return State()

    def week(self, time_ms: int) -> int:
        """The number of the week a time belongs to; weeks begin on Monday."""
        return (self._days.day(time_ms) - 1) // 7

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not believed(reading):
            return state, ()
        week = self.week(reading.time_ms)
        if reading.channel == self.settings.outflow:
            drawn = _more(state.drawn, week, counted(state.counter, reading.value))
            return replace(state, counter=reading.value, drawn=drawn), ()
        name = self._of[reading.channel]
        sump = state.sumps.get(name) or SumpState()
        if reading.channel == self.watched[name].counter:
            more_l = counted(sump.counter, reading.value)
            sump = replace(sump, counter=reading.value, open_l=_more(sump.open_l, week, more_l))
        else:
            ran_ms = min(max(reading.time_ms - sump.pump_ms, 0), _PUMP_TRUSTED_MS) if sump.pump_on else 0
            open_h = _more(sump.open_h, week, ran_ms / HOUR_MS)
            sump = replace(sump, pump_on=reading.value > 0.5, pump_ms=reading.time_ms, open_h=open_h)
        return replace(state, sumps={**state.sumps, name: sump}), ()

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        """A top-off counts in the week it was done, as long as that is open."""
        name, week = action.target, self.week(action.time_ms)
        if action.event != "top-off" or name not in self.watched or week <= state.closed:
            return state, ()
        sump = state.sumps.get(name) or SumpState()
        sump = replace(
            sump,
            open_l=_more(sump.open_l, week, action.value),
            open_n={**sump.open_n, week: sump.open_n.get(week, 0) + 1},
        )
        return replace(state, sumps={**state.sumps, name: sump}), ()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        """On Tuesday morning the week before is closed: Monday is for what is logged late."""
        day = self._days.judged(tick.time_ms)
        if day == state.judged_day:
            return state, ()
        state = replace(state, judged_day=day)
        last = (day - 2) // 7 - 1
        if not state.first_week:
            # Of the week in which the watch began only a part is known.
            return replace(state, first_week=last + 2, closed=last + 1), ()
        if last <= state.closed:
            return state, ()
        for week in range(max(state.closed + 1, last - KEPT), last + 1):
            state = self._closed(state, week)
        return self._judged(state, tick.time_ms)

    def _closed(self, state: State, week: int) -> State:
        sumps = dict(state.sumps)
        booked = 0.0
        for name, watched in self.watched.items():
            sump = sumps.get(name) or SumpState()
            litres = sump.open_l.get(week, 0.0)
            booked += litres
            hours = sump.open_h.get(week, 0.0) if watched.pump else self._hours(watched)
            known = sump.weeks
            # Before its first top-off nobody wrote down what this sump takes.
            if litres > 0.0 or known:
                known = (*known, Week(week, litres, hours, sump.open_n.get(week, 0), sump.holds))[-KEPT:]
            sumps[name] = replace(
                sump,
                weeks=known,
                open_l=_after(sump.open_l, week),
                open_h=_after(sump.open_h, week),
                open_n=_after(sump.open_n, week),
            )
        books = (*state.books, (week, state.drawn.get(week, 0.0), booked))[-KEPT:]
        return replace(state, sumps=sumps, books=books, drawn=_after(state.drawn, week), closed=week)

    def _hours(self, watched: Watched) -> float:
        hours = watched.sump.hours_a_week
        return _USUAL_HOURS if hours is None else hours

    def _judged(self, state: State, now_ms: int) -> tuple[State, tuple[Finding, ...]]:
        known = {name: sump.weeks for name, sump in state.sumps.items()}
        sumps, found = dict(state.sumps), []
        for name, sump in state.sumps.items():
            quiet = {o: w for o, w in known.items() if o != name and not state.sumps[o].holds}
            result = verdict(sump.weeks, quiet)
            beside = beside_neighbours(known, self._surfaces, name)
            holds = result is not None and is_more(result, self._more, held=sump.holds)
            asked = not holds and beside is not None and beside[0] >= TIMES_NEIGHBOURS
            sumps[name] = sump = replace(
                sump,
                holds=holds,
                since_ms=sump.since_ms if holds and sump.holds else now_ms,
                asked=asked,
                asked_ms=sump.asked_ms if asked and sump.asked else now_ms,
            )
            evidence = self._evidence(name, sump, result, beside)
            if result is not None:
                sure = 0.9 if result.sure >= 5.0 else 0.75
                found.append(self._finding(name, "", holds, now_ms, sump.since_ms, sure, evidence))
            if beside is not None:
                told = {**evidence, "told": "neighbours"}
                found.append(self._finding(name, "/check", asked, now_ms, sump.asked_ms, 0.6, told))
        state = replace(state, sumps=sumps)
        if self.settings.outflow is None:
            return state, tuple(found)
        state, of_book = self._of_outflow(state, now_ms)
        return state, (*found, *of_book)

    def _finding(
        self, name: str, part: str, holds: bool, now_ms: int, since_ms: int, sure: float, evidence: Evidence
    ) -> Finding:  # fmt: skip
        return Finding(f"{self.settings.id}/{name}{part}", name, holds, now_ms, since_ms, sure, evidence)

    def _evidence(
        self, name: str, sump: SumpState, result: Verdict | None, beside: tuple[float, int] | None
    ) -> Evidence:
        watched, last = self.watched[name], sump.weeks[-8:]
        found: dict[str, Any] = {
            "told": "more",
            "sump": watched.sump.label,
            "how": "metered" if watched.counter else "logged",
            "hours_from": "its pump's contact" if watched.pump else "the site file",
            "weeks_l": [round(week.litres, 0) for week in last],
            "times_neighbours": None if beside is None else round(beside[0], 1),
            "neighbours": 0 if beside is None else beside[1],
            "week_l": round(sum(w.litres for w in last) / max(len(last), 1), 0),
        }
        if result is not None:
            found |= {
                "weeks": result.weeks,
                "litres": round(result.litres, 0),
                "expected_l": round(result.expected_l, 0),
                "hours": round(result.hours, 0),
                "usual_l_week": round(result.usual_l_week, 0),
                "shop_pct": round(100.0 * (result.shop - 1.0), 0),
                "shop_neighbours": result.neighbours,
                "times": round(result.times, 2),
                "sure": round(result.sure, 1),
            }
        return found

    def _of_outflow(self, state: State, now_ms: int) -> tuple[State, tuple[Finding, ...]]:
        """What was drawn in the last two weeks against what is in the book."""
        assert self.settings.outflow is not None
        last = state.books[-2:]
        drawn, booked = sum(w[1] for w in last), sum(w[2] for w in last)
        # Where nobody logs anything there is no book to hold the meter against.
        written = any(week[2] > 0.0 for week in state.books[-4:])
        if len(last) < 2 or not written or max(drawn, booked) < _LEAST_L:
            return state, ()
        known = drawn - self._elsewhere_l * len(last)
        wrong = ""
        if all(self._is_unlogged(week, held=state.wrong == "unlogged") for week in last):
            wrong = "unlogged"
        elif all(w[2] > (1.0 + _OVERBOOKED) * w[1] for w in last) and booked - drawn > _LEAST_L:
            wrong = "overbooked"
        same = wrong != "" and wrong == state.wrong
        state = replace(state, wrong=wrong, wrong_ms=state.wrong_ms if same else now_ms)
        evidence: dict[str, Any] = {
            "told": wrong or "unlogged",
            "where": self._where,
            "drawn_l": round(drawn, 0),
            "booked_l": round(booked, 0),
            "elsewhere_l": round(self._elsewhere_l * len(last), 0),
            "unlogged_l": round(known - booked, 0),
            "share_pct": round(100.0 * (known - booked) / max(drawn, 1.0), 0),
            "from": day_words(7 * last[0][0] + 1),
            "until": day_words(7 * last[-1][0] + 7),
            "inferred": self._inferred(state, max(known - booked, 0.0), {w[0] for w in last}),
        }
        finding = Finding(
            f"{self.settings.id}/unlogged",
            self.settings.outflow,
            bool(wrong),
            now_ms,
            state.wrong_ms,
            0.8,
            evidence,
        )
        return state, (finding,)

    def _is_unlogged(self, week: tuple[int, float, float], *, held: bool) -> bool:
        rest = week[1] - self._elsewhere_l - week[2]
        return rest > (0.7 if held else 1.0) * self._unlogged * week[1] and rest > 0.5 * _LEAST_L

    def _inferred(self, state: State, litres: float, weeks: set[int]) -> list[str]:
        """Unlogged litres shared out, by surface and hours, over the sumps that nobody logged."""
        parts: dict[str, float] = {}
        for name, watched in self.watched.items():
            sump = state.sumps.get(name) or SumpState()
            told = sum(week.litres for week in sump.weeks if week.week in weeks)
            if watched.counter is None and told <= 0.0:
                hours = of_hours(Week(0, 0.0, self._hours(watched), 0))
                parts[name] = (watched.sump.surface_m2 or watched.sump.volume_l / 400.0) * hours
        whole = sum(parts.values())
        return [
            f"{self.watched[name].sump.label}: about {litres * part / whole:.0f} L"
            for name, part in parts.items()
        ]


def _more(weeks: Mapping[int, float], week: int, amount: float) -> Mapping[int, float]:
    return {**weeks, week: weeks.get(week, 0.0) + amount} if amount > 0.0 else weeks


def _after(weeks: Mapping[int, Any], week: int) -> dict[int, Any]:
    return {number: amount for number, amount in weeks.items() if number > week}


def _one(plant: Plant, sump: Sump) -> Watched:
    counter, pump = channel_in(plant, sump.id, "volume"), channel_in(plant, sump.id, "contact")
    return Watched(sump, counter.id if counter else None, pump.id if pump else None)


def build(settings: Settings, plant: Plant) -> MakeUp:
    """The rule for this plant.

    Raises: ValueError naming a sump that the site does not have, or a setting that does not fit.
    """
    rule = MakeUp(settings, plant)
    if not rule.watched:
        raise ValueError("sumps: this site has no sump; describe them as [[sump]]")
    return rule
