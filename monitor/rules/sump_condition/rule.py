"""Rule `sump-condition`: a coolant's concentration, and the signs that biology is at work in it.

No instrument tells that a coolant goes bad. A refractometer, a pH meter, a nose and an eye, once a week and
written down, do: one sign may be anything, two together are likely biology.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import Id, RefersTo
from monitor.plant.model import Channel, Plant, Sump
from monitor.readings import Evidence, Finding, OperatorAction, Reading, Tick
from monitor.rules.dates import day_in_words
from monitor.rules.rule import RuleSettings, plant_channel
from monitor.rules.sump_condition.signs import (
    Looked,
    Seen,
    Sign,
    asked_about,
    filled_anew,
    is_likely,
    looked,
    signs,
    with_strength,
)
from monitor.rules.sumps import Days, believed, channel_in, chosen
from monitor.water.refractometer import coolant_concentration_pct

# What one reading of a refractometer may be off (common practice, no source).
_READING_BRIX = 0.25
_MOST_ZERO_BRIX = 5.0


class Settings(RuleSettings):
    """`kind = "sump-condition"`."""

    kind: Literal["sump-condition"]
    sumps: Annotated[
        tuple[Id, ...], RefersTo("sump"), Field(description="the sumps watched; empty means all of the site")
    ] = ()
    zero: Annotated[
        Id | None,
        RefersTo("channel", ("concentration",)),
        Field(
            description="the refractometer held into the shop's own make-up water: the zero of all readings"
        ),
    ] = None
    ph_drop: Annotated[
        float, Field(ge=0.1, le=2.0, description="so far below its usual a pH is a sign; 0.1 to 2")
    ] = 0.3


@dataclass(frozen=True, slots=True)
class State:
    """The sumps by id, the zero on water, and how far time has come."""

    sumps: Mapping[str, Seen] = field(default_factory=dict)
    zero_brix: float | None = None
    now_ms: int = 0
    judged_day: int = 0

    version = 1


@dataclass(frozen=True, slots=True)
class Watched:
    """A sump with what tells of it, and what its coolant's sheet says."""

    sump: Sump
    coolant: str
    factor: float | None
    band_pct: tuple[float, float] | None
    brix: Channel | None
    ph: Channel | None


class SumpCondition:
    """One configured watch over the condition of sumps."""

    kind = "sump-condition"
    remembers_days = 180  # a usual pH rests on weekly readings

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        if settings.zero is not None:
            plant_channel(plant, settings.zero, "zero")
        self._zone = ZoneInfo(plant.site.timezone)
        self._days = Days(plant)
        self.watched = {sump.id: _one(plant, sump) for sump in chosen(settings.sumps, plant)}
        self._of = {c.id: name for name, w in self.watched.items() for c in (w.brix, w.ph) if c is not None}
        zero = () if settings.zero is None else (settings.zero,)
        self.channels = frozenset({*self._of, *zero})

    def start(self) -> State:
        return State()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not believed(reading):
            return state, ()
        if reading.channel == self.settings.zero:
            zero = min(max(reading.value, -_MOST_ZERO_BRIX), _MOST_ZERO_BRIX)
            return replace(state, zero_brix=zero), ()
        name = self._of[reading.channel]
        watched, seen = self.watched[name], state.sumps.get(name) or Seen()
        if watched.ph is not None and reading.channel == watched.ph.id:
            seen = looked(seen, "ph", reading.value, reading.time_ms)
        elif watched.factor is not None and watched.band_pct is not None:
            zero = state.zero_brix or 0.0
            pct = coolant_concentration_pct(max(reading.value, zero), watched.factor, zero)
            error_pct = _READING_BRIX * watched.factor
            seen = with_strength(seen, pct, reading.time_ms, watched.band_pct, error_pct)
        return self._judged(state, name, seen, reading.time_ms)

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        """A smell, floating oil, or a new charge."""
        name = action.target
        if name not in self.watched:
            return state, ()
        seen = state.sumps.get(name) or Seen()
        if action.event in ("smell", "tramp-oil"):
            seen = looked(seen, action.event, action.value, action.time_ms)
        elif action.event == "sump-change":
            seen = filled_anew(seen, action.time_ms)
        else:
            return state, ()
        return self._judged(state, name, seen, action.time_ms)

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        """Once a day, so that signs nobody has looked at again do not stand for ever."""
        day = self._days.judged(tick.time_ms)
        if day == state.judged_day:
            return state, ()
        state = replace(state, judged_day=day)
        found: list[Finding] = []
        for name in state.sumps:
            state, told = self._judged(state, name, state.sumps[name], tick.time_ms)
            found += told
        return state, tuple(found)

    def _judged(self, state: State, name: str, seen: Seen, time_ms: int) -> tuple[State, tuple[Finding, ...]]:
        now_ms = max(time_ms, state.now_ms)
        watched = self.watched[name]
        there = signs(seen, now_ms, self._drop(watched))
        likely = is_likely(there)
        asked = () if likely else asked_about(there, seen, self._drop(watched))
        seen = replace(
            seen,
            likely=likely,
            likely_ms=seen.likely_ms if likely and seen.likely else now_ms,
            asked=asked,
            asked_ms=seen.asked_ms if asked and seen.asked else now_ms,
        )
        state = replace(state, sumps={**state.sumps, name: seen}, now_ms=now_ms)
        return state, tuple(self._findings(state, watched, seen, there, now_ms))

    def _drop(self, watched: Watched) -> float:
        """A drop smaller than one step of the strip or meter is none."""
        step = 0.0 if watched.ph is None else watched.ph.canonical_resolution
        return max(self.settings.ph_drop, step)

    def _findings(
        self, state: State, watched: Watched, seen: Seen, there: Mapping[Sign, Looked], now_ms: int
    ) -> Iterable[Finding]:
        name = watched.sump.id
        evidence = self._evidence(state, watched, seen, there)
        firm = len(there) > 2 or any(sign.value >= 2.0 for key, sign in there.items() if key == "smell")

        def finding(part: str, told: str, since_ms: int, sure: float, *, holds: bool) -> Finding:
            whole: dict[str, Any] = {**evidence, "told": told}
            return Finding(f"{self.settings.id}/{name}{part}", name, holds, now_ms, since_ms, sure, whole)

        yield finding("", "biology", seen.likely_ms, 0.85 if firm else 0.7, holds=seen.likely)
        yield finding("/check", "sign", seen.asked_ms, 0.5, holds=bool(seen.asked))
        if "strength" in seen.looked:
            yield finding("/concentration", "concentration", seen.out_ms or now_ms, 0.9, holds=bool(seen.out))

    def _evidence(self, state: State, watched: Watched, seen: Seen, there: Mapping[Sign, Looked]) -> Evidence:
        last, usual = seen.looked, seen.usual
        ph, strength, band = last.get("ph"), last.get("strength"), watched.band_pct
        return {
            "sump": watched.sump.label,
            "coolant": watched.coolant,
            "signs": [str(sign) for sign in there],
            "asked": list(seen.asked),
            "since": self._date(min((sign.time_ms for sign in there.values()), default=0)),
            "ph": None if ph is None else round(ph.value, 2),
            "ph_on": "" if ph is None else self._date(ph.time_ms),
            "ph_usual": None if usual is None else round(usual, 2),
            "smell": None if "smell" not in last else last["smell"].value,
            "oil": None if "tramp-oil" not in last else last["tramp-oil"].value,
            "pct": None if strength is None else round(strength.value, 1),
            "pct_on": "" if strength is None else self._date(strength.time_ms),
            "band_pct": None if band is None else [round(band[0], 1), round(band[1], 1)],
            "out": seen.out,
            "factor": watched.factor,
            "zero_brix": None if state.zero_brix is None else round(state.zero_brix, 1),
            "volume_l": round(watched.sump.volume_l, 0),
        }

    def _date(self, time_ms: int) -> str:
        if not time_ms:
            return ""
        local = datetime.fromtimestamp(time_ms / 1000, self._zone)
        return day_in_words(local.date().isoformat())


def _one(plant: Plant, sump: Sump) -> Watched:
    coolant = next((c for c in plant.coolant if c.id == sump.coolant), None)
    band = None if coolant is None else coolant.band
    return Watched(
        sump,
        "" if coolant is None else coolant.label,
        None if coolant is None else coolant.factor,
        None if band is None else (100.0 * band[0].in_unit("1"), 100.0 * band[1].in_unit("1")),
        channel_in(plant, sump.id, "concentration"),
        channel_in(plant, sump.id, "ph"),
    )


def build(settings: Settings, plant: Plant) -> SumpCondition:
    """The rule for this plant.

    Raises: ValueError naming a sump that the site does not have, or one whose refractometer says nothing.
    """
    rule = SumpCondition(settings, plant)
    if not rule.watched:
        raise ValueError("sumps: this site has no sump; describe them as [[sump]]")
    for name, watched in rule.watched.items():
        if watched.brix is not None and (watched.factor is None or watched.band_pct is None):
            raise ValueError(
                f'sumps: "{name}" has a refractometer ({watched.brix.id}) but no coolant with factor and band'
            )
    return rule
