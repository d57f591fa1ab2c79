"""Rule `creep`: is a membrane letting more salt through than it used to?

Salt passage (permeate against its feed), brought to one temperature, flow and recovery as far as the shop's
instruments allow, one value a working day, held against what was usual when the membrane was young. A rise is
*told* when a CUSUM, calibrated for the scatter and the memory of this channel's own days, says it is none of
chance; it is told as a *membrane's* when it is larger than probes drift between calibrations, and before that
as a request for a hand meter (`<id>/check`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator

from monitor.frozen import replace
from monitor.plant.fields import DurationMs, Id, Measure, MeasureField, RefersTo, ShareField, Wrong
from monitor.plant.model import Channel, Plant
from monitor.plant.units import UnitError
from monitor.readings import Bound, Evidence, Finding, Level, Reading, Reason, Standing, Tick
from monitor.rules.course import LEAST_DAYS, Day, Doubt, Reference, Sums, kept, learned, stepped
from monitor.rules.creep.explain import figures
from monitor.rules.creep.hours import Inputs, Today, enough, paired, so_far, whole
from monitor.rules.creep.verdict import Told, Unit, Verdict, confidence, evidence_of, judge
from monitor.rules.creep.words import wording
from monitor.rules.explaining import Figures, Moment
from monitor.rules.rule import RuleSettings, plant_channel, stage_kind_at
from monitor.water.dissolved import ec25_from_tds_us_cm
from monitor.water.membrane_temperature import TemperatureRule

__all__ = ["Creep", "Settings", "State", "build", "wording"]

_DAY_MS = 86_400_000
# A neighbour's value is of the same time as the permeate's for three of its intervals, but at least so long.
_TOGETHER_MS = 15 * 60_000
# What temperature may do to the index without the membrane, as a share a degree from the reference. 1 %: the
# spread of printed corrections. 0.8 % more without the recovery, which rises with the flow (D4516 form, 60 %
# recovery, fixed concentrate valve: (1-Y) x 3 % x d ln(log-mean)/d ln Y). 2.5 % where nothing is corrected:
# there salt permeability need not grow as water permeability does (own choice).
_A_DEGREE = {
    "flow, recovery and temperature": 0.010,
    "flow and temperature": 0.018,
    "as measured, temperature known": 0.025,
    "as measured": 0.0,
}
# Between summer and winter where no thermometer tells: twelve degrees, nothing corrected.
_SEASON = 12 * 0.025
# Without a feed probe the tap's own changes stand in the value; supplies differ by a fifth easily.
_TAP = 0.20

# Whether it is of water being made is not known for certain.
_GUESSED = Reason.GATE_UNKNOWN | Reason.BY_TIME | Reason.AFTERWARDS
_NOT_REFERRED = Reason.NO_TEMPERATURE | Reason.OUTSIDE_METHOD


class Settings(RuleSettings):
    """`kind = "creep"`."""

    kind: Literal["creep"]
    permeate: Annotated[
        Id,
        RefersTo("channel", ("conductivity", "tds")),
        Field(description="the treated water's conductivity or TDS; best with a gate"),
    ]
    feed: Annotated[
        Id | None,
        RefersTo("channel", ("conductivity", "tds")),
        Field(
            description="the same of its feed; without it the permeate alone is judged, and the tap with it"
        ),
    ] = None
    temperature: Annotated[
        Id | None, RefersTo("channel", ("temperature",)), Field(description="the water's temperature there")
    ] = None
    permeate_flow: Annotated[
        Id | None, RefersTo("channel", ("flow",)), Field(description="permeate flow, to normalise by")
    ] = None
    feed_flow: Annotated[
        Id | None, RefersTo("channel", ("flow",)), Field(description="feed flow, for the recovery")
    ] = None
    limit: Annotated[
        MeasureField | None,
        Field(
            description='where it must not get to: salt passage like "8 %", or conductivity like "50 uS/cm"'
        ),
    ] = None
    membrane_since: Annotated[
        date | None,
        Field(description="day the membrane was changed, cleaned or resealed: what is usual is learned anew"),
    ] = None
    learn: Annotated[DurationMs, Field(description="how long what is usual is learned, 7 to 30 days")] = (
        14 * _DAY_MS
    )
    probe_drift: Annotated[
        ShareField, Field(description="what a probe here commonly drifts between two calibrations")
    ] = Measure(2.0, "percent")

    @field_validator("learn")
    @classmethod
    def _long_enough(cls, learn: int) -> int:
        if not 7 * _DAY_MS <= learn <= 30 * _DAY_MS:
            raise Wrong('7 to 30 days, like "14 days"')
        return learn


@dataclass(frozen=True, slots=True)
class Latest:
    """The last usable value of a channel beside the permeate."""

    value: float
    raw: float
    time_ms: int


@dataclass(frozen=True, slots=True)
class State:
    """The day so far, the days before it, and what is usual."""

    basis: str = ""  # the settings all this was learned under
    begun: int = 0  # first day of learning
    latest: Mapping[str, Latest] = field(default_factory=dict)
    today: Today = field(default_factory=Today)
    days: tuple[Day, ...] = ()
    reference: Reference | None = None
    sums: Sums = field(default_factory=Sums)
    still: str = ""  # the channel that stood still all of the last day
    told: Told = field(default_factory=Told)

    version = 1


class Creep:
    """One configured watch over a membrane."""

    kind = "creep"
    remembers_days = 400  # what was usual when the membrane was young cannot be learned later

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._zone = ZoneInfo(plant.site.timezone)
        self._permeate = _referred(plant, settings.permeate, "permeate")
        self._feed = None if settings.feed is None else _referred(plant, settings.feed, "feed")
        if self._feed is not None and self._feed.id == self._permeate.id:
            raise ValueError(f'feed = "{self._feed.id}" is the permeate itself; name the channel ahead of it')
        beside = {
            key: plant_channel(plant, name, key)
            for key in ("feed", "temperature", "permeate_flow", "feed_flow")
            if (name := getattr(settings, key)) is not None
        }
        if "feed_flow" in beside and "permeate_flow" not in beside:
            raise ValueError("feed_flow alone gives no recovery; name the permeate_flow too, or leave it out")
        self._beside = beside
        self._together_ms = {name: max(_TOGETHER_MS, 3 * plant.interval_of(name)) for name in beside.values()}
        self.channels = frozenset({self._permeate.id, *beside.values()})
        self.rests_on = frozenset({self._permeate.id})
        self._rule = TemperatureRule()
        limit, limit_is = _limit(settings, self._permeate, self._feed)
        form = _form(beside)
        self.unit = Unit(
            permeate=self._permeate.id,
            feed=None if self._feed is None else self._feed.id,
            where=plant.place_of(self._permeate.id),
            stage=stage_kind_at(plant, self._permeate.id),
            what={c.id: plant.span_words(c.id) for c in (self._permeate, self._feed) if c is not None},
            step_us_cm=_ec25(self._permeate, self._permeate.canonical_resolution),
            form=form,
            doubt=Doubt(_A_DEGREE[form], _SEASON, 0.0 if self._feed is not None else _TAP),
            drift=settings.probe_drift.in_unit("1"),
            limit=limit,
            limit_is=limit_is,
        )
        self._basis = "|".join([self._permeate.id, *beside.values(), str(settings.membrane_since or "")])

    def start(self) -> State:
        return State(basis=self._basis)

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        return state, ()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        day = datetime.fromtimestamp(reading.time_ms / 1000, self._zone).date()
        if self.settings.membrane_since is not None and day < self.settings.membrane_since:
            return state, ()
        if state.basis != self._basis:
            state = self.start()
        value = self._said(reading)
        if value is None:
            return state, ()
        if reading.channel != self._permeate.id:
            latest = Latest(value, self._shown(reading), reading.time_ms)
            return replace(state, latest={**state.latest, reading.channel: latest}), ()
        state = self._on_day(state, day.toordinal())
        inputs, sure = self._together(state, reading, value)
        if inputs is None:
            return state, ()
        shift = None if state.reference is None else state.reference.index - state.reference.measured
        today = paired(state.today, reading.time_ms, inputs, self.unit.form, self._rule, shift, sure)
        if today is not state.today:
            state = replace(state, today=today)
        return self._judged(state, reading)

    def _said(self, reading: Reading) -> float | None:
        """What a reading says, conductivities as µS/cm at 25 °C; None when it says nothing here."""
        if reading.standing != Standing.JUDGED or reading.reasons & (Reason.JUMP | _NOT_REFERRED):
            return None
        # Permeate beyond its meter's range is at least so salty: evidence, not an excuse.
        beyond = reading.channel == self._permeate.id and reading.bound == Bound.AT_LEAST
        if reading.level == Level.BAD and not beyond:
            return None
        channels = [c for c in (self._permeate, self._feed) if c is not None and c.id == reading.channel]
        return _ec25(channels[0], reading.value) if channels else reading.value

    def _shown(self, reading: Reading) -> float:
        """As received, in its channel's unit: what an instrument that stands still repeats."""
        known = (channel for channel in (self._permeate, self._feed) if channel is not None)
        channel = next((channel for channel in known if channel.id == reading.channel), None)
        return reading.raw if channel is None else channel.in_its_unit(reading.raw)

    def _together(self, state: State, reading: Reading, value: float) -> tuple[Inputs | None, bool]:
        """The readings of one time; None without the feed they are to be held against."""
        sure = not reading.reasons & _GUESSED
        beside: dict[str, float | None] = {}
        for key, name in self._beside.items():
            latest = state.latest.get(name)
            fresh = latest is not None and reading.time_ms - latest.time_ms <= self._together_ms[name]
            beside[key] = latest.value if latest is not None and fresh else None
        feed = beside.get("feed")
        if self._feed is not None and (feed is None or feed <= 0.0):
            return None, False
        flow, into = beside.get("permeate_flow"), beside.get("feed_flow")
        feed_raw = math.nan if self._feed is None else state.latest[self._feed.id].raw
        raw = self._shown(reading) if reading.bound == Bound.EXACT else math.nan
        warm = beside.get("temperature")
        return Inputs(value, feed, warm, flow or None, into or None, raw, feed_raw), sure

    def _on_day(self, state: State, day: int) -> State:
        """The state on this day: what came before is closed, and learned from."""
        today = state.today
        if today.number == day:
            return state
        state = replace(state, begun=state.begun or day, today=Today(number=day))
        if not today.pairs and not today.blocks:
            return state
        closed, still = whole(today), self._stands_still(today)
        if enough(today):
            state = replace(state, still=still)
        if closed is None or state.still:
            return state
        state = replace(state, days=kept(state.days, closed))
        if state.reference is not None:
            return replace(state, sums=stepped(state.sums, state.reference, closed, self.unit.doubt))
        if day - state.begun >= self._learn_days and len(state.days) >= LEAST_DAYS:
            coarse = 0.29 * self.unit.step_us_cm / self.unit.permeate_us_cm(state.days[-1])
            return replace(state, reference=learned(state.days, coarse))
        return state

    @property
    def _learn_days(self) -> int:
        return self.settings.learn // _DAY_MS

    def _stands_still(self, today: Today) -> str:
        if self._feed is not None and today.feed_span.still(self._feed.resolution):
            return self._feed.id
        return self._permeate.id if today.permeate_span.still(self._permeate.resolution) else ""

    def _judged(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        """What the days say now, today's full hours among them; nothing before the first full hour."""
        today, still = state.today, state.still
        if enough(today):
            still = self._stands_still(today)
        now = so_far(today) if len(today.blocks) >= 2 and not still else None
        days = state.days if now is None else kept(state.days, now)
        if not days:
            return state, ()
        sums = state.sums
        if now is not None and state.reference is not None:
            sums = stepped(sums, state.reference, now, self.unit.doubt)
        verdict = judge(self.unit, days, sums, state.reference, still, state.told)
        state = replace(state, told=verdict.told)
        evidence: Evidence = {
            **evidence_of(self.unit, verdict, state.reference),
            "oldest_input_ms": self._oldest_ms(state, reading),
            "young_until": None if state.reference is not None else self._young_until(state),
        }
        membrane = self._finding("", self._permeate.id, verdict.membrane, reading, verdict, evidence)
        suspect = verdict.suspect or self._permeate.id
        with_check: Evidence = {**evidence, "check": verdict.check}
        check = self._finding("/check", suspect, bool(verdict.check), reading, verdict, with_check)
        return state, (membrane, check)

    def _oldest_ms(self, state: State, reading: Reading) -> int:
        ages = [reading.time_ms - latest.time_ms for latest in state.latest.values()]
        return max((age for age in ages if age <= max(self._together_ms.values())), default=0)

    def _young_until(self, state: State) -> str:
        return date.fromordinal(state.begun + self._learn_days).isoformat()

    def explain(self, state: State, now: Moment) -> Figures:
        return figures(state, self.unit, self.settings.id, now)

    def _finding(
        self,
        part: str,
        subject: str,
        holds: bool,
        reading: Reading,
        verdict: Verdict,
        evidence: Evidence,
    ) -> Finding:
        since_ms, course_ = reading.time_ms, verdict.course
        if holds and course_ is not None and course_.direction:
            midnight = datetime.combine(date.fromordinal(course_.since), time(), self._zone)
            since_ms = min(int(midnight.timestamp() * 1000), since_ms)
        return Finding(
            condition=f"{self.settings.id}{part}",
            subject=subject,
            holds=holds,
            time_ms=reading.time_ms,
            since_ms=since_ms,
            confidence=confidence(self.unit, verdict),
            evidence=evidence,
            # A rule that judges flow and pressure drop too may tell it; a limit passed is told by itself.
            matter="" if verdict.beyond_limit or verdict.broken else f"membrane of {self._permeate.id}",
        )


def build(settings: Settings, plant: Plant) -> Creep:
    """The rule for this plant.

    Raises: ValueError naming the key that does not fit the plant and what would.
    """
    return Creep(settings, plant)


def _referred(plant: Plant, name: str, key: str) -> Channel:
    """The channel, if its values stand at 25 °C."""
    channel = plant.channels[plant_channel(plant, name, key)]
    if channel.quantity not in ("conductivity", "tds"):
        raise ValueError(f'{key} = "{name}" measures {channel.quantity}; a conductivity or tds is needed')
    if channel.quantity == "conductivity" and channel.compensation == "none" and not channel.compensated:
        raise ValueError(
            f'{key} = "{name}" is not referred to 25 °C, so the season would look like a membrane; say '
            "compensated = true on the channel if its meter does it, or give it compensation and temperature"
        )
    return channel


def _limit(settings: Settings, permeate: Channel, feed: Channel | None) -> tuple[float | None, str]:
    """The limit and what it limits: salt passage in %, or conductivity of the permeate in µS/cm."""
    if settings.limit is None:
        return None, ""
    try:
        passage = 100.0 * settings.limit.in_unit("1")
    except UnitError:
        try:
            return _ec25(permeate, settings.limit.canonical(permeate.quantity)), "conductivity"
        except UnitError as error:
            allowed = 'a salt passage like "8 %", or a value in the unit of the permeate, like "50 uS/cm"'
            raise ValueError(f"limit: {allowed} ({error})") from error
    if feed is None:
        raise ValueError(
            'limit: without a feed channel there is no salt passage; a value like "50 uS/cm" will do'
        )
    return passage, "passage"


def _form(beside: Mapping[str, str]) -> str:
    if "temperature" not in beside:
        return "as measured"
    if "permeate_flow" not in beside:
        return "as measured, temperature known"
    return "flow, recovery and temperature" if "feed_flow" in beside else "flow and temperature"


def _ec25(channel: Channel, value: float) -> float:
    """A value of the channel as µS/cm at 25 °C."""
    if channel.quantity == "conductivity" or value <= 0.0:
        return value
    return ec25_from_tds_us_cm(value, channel.tds_scale or "natural", channel.tds_factor)
