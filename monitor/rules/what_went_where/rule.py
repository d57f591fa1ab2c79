"""Rule `what-went-where`: after water was bad for a while, which sumps got how much of it.

While water is bad its limit, or the bed's discharge, says so. When it is over everybody goes on, and weeks
later one sump of twelve is foaming. So once an episode has ended, and people have had a day to log what they
poured, this rule gives the account of it: once, as something to read and not to run for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import (
    DurationMs,
    Id,
    MeasureField,
    PositiveDurationMs,
    RefersTo,
    ShareField,
)
from monitor.plant.model import Plant, Sump
from monitor.plant.units import UnitError, shown
from monitor.readings import Bound, Finding, Level, OperatorAction, Reading, Standing, Tick
from monitor.rules.dates import day_in_words
from monitor.rules.rule import RuleSettings, plant_channel
from monitor.rules.sumps import (
    DAY_MS,
    HOUR_MS,
    READ_AS_HARDNESS,
    Water,
    believed,
    channel_in,
    chosen,
    counted,
)
from monitor.rules.what_went_where.account import (
    SLACK_MS,
    Episode,
    Got,
    Pour,
    again,
    drawn,
    over,
    seen,
    shared_out,
)

_MINUTE_MS = 60_000
# Good for so long and it is over; shorter dips belong to the same episode.
_OVER_MS = 30 * _MINUTE_MS
_USUAL_MS = 7 * DAY_MS
# Logged top-offs are kept so long: an episode may last for days and be logged afterwards.
_KEPT_MS = 14 * DAY_MS
_MOST_POURS = 400


class Settings(RuleSettings):
    """`kind = "what-went-where"`."""

    kind: Literal["what-went-where"]
    water: Annotated[
        Id,
        RefersTo("channel", READ_AS_HARDNESS),
        Field(description="the water that goes to the sumps, by the last probe before them"),
    ]
    above: Annotated[MeasureField, Field(description="beyond this it is bad, as in the limit's own rule")]
    hardness_share: Annotated[
        ShareField | None,
        Field(
            description="of a conductivity: how much of its salts is hardness; from the tap where left out"
        ),
    ] = None
    outflow: Annotated[
        Id | None,
        RefersTo("channel", ("volume",)),
        Field(description="the meter of the water that goes to the sumps, in litres"),
    ] = None
    sumps: Annotated[
        tuple[Id, ...], RefersTo("sump"), Field(description="the sumps it may go to; empty means all")
    ] = ()
    least: Annotated[DurationMs, Field(description="shorter episodes are not worth an account")] = (
        10 * _MINUTE_MS
    )
    settle: Annotated[
        DurationMs, Field(description="so long after its end the account is given: time to log top-offs")
    ] = DAY_MS
    stands: Annotated[PositiveDurationMs, Field(description="so long the account stands")] = 7 * DAY_MS


@dataclass(frozen=True, slots=True)
class State:
    """The episode that lasts or was the last, what people logged, and the account that stands."""

    episode: Episode | None = None
    value: float | None = None
    usual: float | None = None
    usual_ms: int = 0
    outflow: float | None = None
    counters: Mapping[str, float] | None = None
    pours: tuple[Pour, ...] = ()
    told_ms: int = 0  # when the account that stands was given; 0 when none does
    evidence: Mapping[str, Any] | None = None
    since_ms: int = 0

    version = 1


class WhatWentWhere:
    """One configured account of bad water."""

    kind = "what-went-where"
    remembers_days = 21

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._water = Water(plant, plant_channel(plant, settings.water, "water"), settings.hardness_share)
        self._quantity = plant.channels[settings.water].quantity
        try:
            self.above = settings.above.canonical(self._quantity)
        except UnitError as error:
            raise ValueError(f"above: {error}") from error
        self._where = plant.span_words(settings.water)
        self._zone = ZoneInfo(plant.site.timezone)
        self.sumps: dict[str, Sump] = {sump.id: sump for sump in chosen(settings.sumps, plant)}
        self._limits = {c.id: c.mineral_limit.in_unit("mg/L") for c in plant.coolant if c.mineral_limit}
        self._counters = {c.id: name for name in self.sumps if (c := channel_in(plant, name, "volume"))}
        self._metered = {name: name in self._counters.values() for name in self.sumps}
        outflow = () if settings.outflow is None else (plant_channel(plant, settings.outflow, "outflow"),)
        self.channels = frozenset({settings.water, *self._counters, *outflow})

    def start(self) -> State:
        return State()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if reading.channel == self.settings.water:
            bound = reading.bound == Bound.AT_LEAST
            tells = reading.standing == Standing.JUDGED and (reading.level != Level.BAD or bound)
            return (self._of_water(state, reading, at_least=bound) if tells else state), ()
        if not believed(reading):
            return state, ()
        if reading.channel == self.settings.outflow:
            more_l = counted(state.outflow, reading.value)
            state = replace(state, outflow=reading.value)
            if (episode := self._lasting(state)) and more_l > 0.0:
                value = state.value if state.value is not None else episode.peak
                state = replace(state, episode=drawn(episode, more_l, value))
            return state, ()
        return self._of_sump(state, self._counters[reading.channel], reading), ()

    def _of_sump(self, state: State, name: str, reading: Reading) -> State:
        counters = state.counters or {}
        more_l = counted(counters.get(name), reading.value)
        state = replace(state, counters={**counters, name: reading.value})
        episode = self._lasting(state)
        if episode is None or more_l <= 0.0:
            return state
        metered = {**episode.metered, name: episode.metered.get(name, 0.0) + more_l}
        return replace(state, episode=replace(episode, metered=metered))

    def _lasting(self, state: State) -> Episode | None:
        """The episode, while the water is bad; not in a dip."""
        episode = state.episode
        return episode if episode is not None and not episode.end_ms and not episode.good_since_ms else None

    def _of_water(self, state: State, reading: Reading, *, at_least: bool) -> State:
        now_ms, episode = reading.time_ms, state.episode
        state = replace(state, value=reading.value)
        if reading.value > self.above:
            if episode is None or (episode.end_ms and not self._is_due(episode)):
                episode = Episode(now_ms, now_ms, usual=state.usual)
            elif episode.end_ms:  # a second time before the first was told of: one account for both
                episode = again(episode, now_ms)
            episode = replace(episode, good_since_ms=0)
            return replace(state, episode=seen(episode, now_ms, reading.value, at_least=at_least))
        if episode is None or episode.end_ms:
            return self._usual(state, reading)
        good_ms = episode.good_since_ms or now_ms
        episode = replace(episode, good_since_ms=good_ms, last_ms=0)
        return replace(state, episode=over(episode, good_ms) if now_ms - good_ms >= _OVER_MS else episode)

    def _usual(self, state: State, reading: Reading) -> State:
        part = min(max(reading.time_ms - state.usual_ms, 0) / _USUAL_MS, 1.0)
        usual = state.usual
        usual = reading.value if usual is None else usual + part * (reading.value - usual)
        return replace(state, usual=usual, usual_ms=reading.time_ms)

    def _is_due(self, episode: Episode) -> bool:
        return bool(episode.end_ms) and episode.bad_ms >= self.settings.least

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        """A top-off, perhaps told late."""
        if action.event != "top-off" or action.target not in self.sumps:
            return state, ()
        pours = (*state.pours, Pour(action.time_ms, action.target, action.value))[-_MOST_POURS:]
        return replace(state, pours=pours), ()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        now_ms, found = tick.time_ms, list[Finding]()
        if state.told_ms and now_ms - state.told_ms >= self.settings.stands:
            found.append(self._finding(state, now_ms, holds=False))
            state = replace(state, told_ms=0, evidence=None)
        episode = state.episode
        if episode is None or not episode.end_ms or now_ms - episode.end_ms < self.settings.settle:
            return state, tuple(found)
        if self._is_due(episode):
            if state.told_ms:
                found.append(self._finding(state, now_ms, holds=False))
            evidence = self._evidence(state, episode)
            state = replace(state, told_ms=now_ms, evidence=evidence, since_ms=episode.start_ms)
            found.append(self._finding(state, now_ms, holds=True))
        pours = tuple(pour for pour in state.pours if now_ms - pour.time_ms < _KEPT_MS)
        return replace(state, episode=None, pours=pours), tuple(found)

    def _finding(self, state: State, now_ms: int, *, holds: bool) -> Finding:
        assert state.evidence is not None
        return Finding(
            condition=self.settings.id,
            subject=self.settings.water,
            holds=holds,
            time_ms=now_ms,
            since_ms=state.since_ms,
            confidence=0.9 if state.evidence["sure"] else 0.6,
            evidence=state.evidence,
        )

    def _evidence(self, state: State, episode: Episode) -> Mapping[str, Any]:
        has_outflow = self.settings.outflow is not None
        got, rest_l = shared_out(episode, state.pours, self._metered, has_outflow=has_outflow)
        usual = episode.usual if episode.usual is not None else 0.0
        more = max(self._water.hardness_mg_l(episode.mean) - self._water.hardness_mg_l(usual), 0.0)
        rows = [self._row(one, more) for one in got]
        rows.sort(key=lambda row: -row["most_mg_l"] if row["most_mg_l"] is not None else 0.0)
        return {
            "where": self._where,
            "quantity": self._quantity,
            "peak": shown(episode.peak, self._quantity),
            "mean": shown(episode.mean, self._quantity),
            "usual": "" if episode.usual is None else shown(episode.usual, self._quantity),
            "above": shown(self.above, self._quantity),
            "at_least": episode.at_least,
            "began": self._date(episode.start_ms),
            "ended": self._date(episode.end_ms),
            "hours": round(episode.bad_ms / HOUR_MS, 2),
            "drawn_l": round(episode.drawn_l, 0) if has_outflow else None,
            "rest_l": None if rest_l is None else round(rest_l, 0),
            "slack_h": SLACK_MS // HOUR_MS,
            "more_mg_l": round(more, 1),
            "at_most": self._water.at_most,
            "sumps": rows,
            "sure": all(row["most_l"] == row["least_l"] for row in rows),
        }

    def _row(self, got: Got, more_mg_l: float) -> dict[str, Any]:
        sump = self.sumps[got.sump]
        most = got.most_l
        limit = self._limits.get(sump.coolant or "")
        return {
            "sump": sump.label,
            "how": got.how,
            "least_l": round(got.least_l, 1),
            "most_l": None if most is None else round(most, 1),
            "least_mg_l": round(got.least_l * more_mg_l / sump.volume_l, 1),
            "most_mg_l": None if most is None else round(most * more_mg_l / sump.volume_l, 1),
            "limit_mg_l": None if limit is None else round(limit, 0),
        }

    def _date(self, time_ms: int) -> str:
        local = datetime.fromtimestamp(time_ms / 1000, self._zone)
        return f"{day_in_words(local.date().isoformat())} {local:%H:%M}"


def build(settings: Settings, plant: Plant) -> WhatWentWhere:
    """The rule for this plant.

    Raises: ValueError naming what does not fit.
    """
    rule = WhatWentWhere(settings, plant)
    if not rule.sumps:
        raise ValueError("sumps: this site has no sump that water could go to; describe them as [[sump]]")
    return rule
