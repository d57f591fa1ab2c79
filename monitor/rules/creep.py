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
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from statistics import median
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator

from monitor.plant.fields import DurationMs, Id, Measure, MeasureField, RefersTo, ShareField, Wrong
from monitor.plant.model import Channel, Plant
from monitor.plant.units import UnitError
from monitor.readings import Bound, Evidence, Finding, Level, Reading, Reason, Standing, Tick
from monitor.rules.creep_course import (
    FEED_SHARE,
    LEAST_DAYS,
    Course,
    Day,
    Doubt,
    Reference,
    Sums,
    course,
    days_to,
    kept,
    learned,
    stepped,
)
from monitor.rules.creep_hours import Inputs, Today, paired, so_far, whole
from monitor.rules.creep_words import wording
from monitor.rules.rule import RuleSettings, plant_channel, stage_kind_at
from monitor.water.dissolved import ec25_from_tds_us_cm
from monitor.water.membrane_temperature import TemperatureRule

__all__ = ["Creep", "Settings", "State", "build", "wording"]

_DAY_MS = 86_400_000
# A neighbour's value is of the same time as the permeate's for three of its intervals, but at least so long.
_TOGETHER_MS = 15 * 60_000
# What temperature may do to the index without the membrane, as a share a degree from the reference. 1 %: the
# spread of printed corrections. 0.8 % more without the recovery, which rises with the flow (D4516 form, 60 %
# recovery, fixed concentrate valve: (1-Y) x 3 % x d ln(log-mean)/d ln Y). 2 % where nothing is corrected.
_A_DEGREE = {
    "flow, recovery and temperature": 0.010,
    "flow and temperature": 0.018,
    "as measured, temperature known": 0.020,
    "as measured": 0.0,
}
# Between summer and winter where no thermometer tells: twelve degrees, nothing corrected.
_SEASON = 12 * 0.020
# Without a feed probe the tap's own changes stand in the value; supplies differ by a fifth easily.
_TAP = 0.20
# Nine in ten probes drift less than this many times the median (open river data: median 2 %, p90 5 %).
_NINE_IN_TEN = 2.5
# No sound membrane of a small unit passes more; and beyond the second something is torn, open or swapped.
_PASSAGE_QUESTIONED_PCT, _PASSAGE_BROKEN_PCT = 10.0, 20.0
_COUNTS = 3.0

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
    told: int = 0  # the direction told at the last reading,
    told_membrane: bool = False  # whether as the membrane's,
    told_check: bool = False  # or as something to check

    version = 1


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be told now. `check` names what is to be checked, `suspect` the channel it concerns."""

    measured: float
    permeate_us_cm: float
    beyond_limit: bool
    broken: bool
    course: Course | None
    membrane: bool
    check: str = ""
    suspect: str = ""


class Creep:
    """One configured watch over a membrane."""

    kind = "creep"

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
        self._together_ms = {
            name: max(_TOGETHER_MS, 3 * plant.instrument_of(name).expected_interval)
            for name in beside.values()
        }
        self.channels = frozenset({self._permeate.id, *beside.values()})
        self._limit, self._limit_is = _limit(settings, self._permeate, self._feed)
        self._rule = TemperatureRule()
        self.form = _form(beside)
        self.doubt = Doubt(_A_DEGREE[self.form], _SEASON, 0.0 if self._feed is not None else _TAP)
        self._drift = settings.probe_drift.in_unit("1")
        self._where = plant.place_of(self._permeate.id)
        self._stage = stage_kind_at(plant, self._permeate.id)
        self._what = {c.id: plant.span_words(c.id) for c in (self._permeate, self._feed) if c is not None}
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
            latest = Latest(value, reading.raw, reading.time_ms)
            return replace(state, latest={**state.latest, reading.channel: latest}), ()
        state = self._on_day(state, day.toordinal())
        inputs, sure = self._together(state, reading, value)
        if inputs is None:
            return state, ()
        shift = None if state.reference is None else state.reference.index - state.reference.measured
        today = paired(state.today, reading.time_ms, inputs, self.form, self._rule, shift, sure)
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

    def _together(self, state: State, reading: Reading, value: float) -> tuple[Inputs | None, bool]:
        """The readings of one time; None without the feed they are to be held against."""
        sure = not reading.reasons & Reason.GATE_UNKNOWN
        beside: dict[str, float | None] = {}
        for key, name in self._beside.items():
            latest = state.latest.get(name)
            fresh = latest is not None and reading.time_ms - latest.time_ms <= self._together_ms[name]
            beside[key] = latest.value if latest is not None and fresh else None
        feed = beside.get("feed")
        if self._feed is not None and (feed is None or feed <= 0.0):
            return None, False
        flow, into = beside.get("permeate_flow"), beside.get("feed_flow")
        raw = 0.0 if self._feed is None else state.latest[self._feed.id].raw
        warm = beside.get("temperature")
        return Inputs(value, feed, warm, flow or None, into or None, reading.raw, raw), sure

    def _on_day(self, state: State, day: int) -> State:
        """The state on this day: what came before is closed, and learned from."""
        today = state.today
        if today.number == day:
            return state
        state = replace(state, begun=state.begun or day, today=Today(number=day))
        if not today.permeate_span.values:
            return state
        closed, still = whole(today), self._stands_still(today)
        state = replace(state, still=still)
        if closed is None or still:
            return state
        state = replace(state, days=kept(state.days, closed))
        if state.reference is not None:
            return replace(state, sums=stepped(state.sums, state.reference, closed, self.doubt))
        if day - state.begun >= self._learn_days and len(state.days) >= LEAST_DAYS:
            step = _ec25(self._permeate, self._permeate.canonical_resolution)
            coarse = 0.29 * step / self._permeate_us_cm(state.days[-1])
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
        now = so_far(state.today) if len(state.today.blocks) >= 2 else None
        days = state.days if now is None else kept(state.days, now)
        if not days:
            return state, ()
        verdict = self._verdict(state, days, now)
        state = replace(
            state,
            told=verdict.course.direction if verdict.course is not None else 0,
            told_membrane=verdict.membrane,
            told_check=bool(verdict.check),
        )
        evidence = self._evidence(state, verdict, reading)
        subject = self._permeate.id
        if verdict.suspect:
            subject = verdict.suspect
        findings = (
            self._finding(self.settings.id, self._permeate.id, verdict.membrane, reading, verdict, evidence),
            self._finding(
                f"{self.settings.id}/check",
                subject,
                bool(verdict.check),
                reading,
                verdict,
                {**evidence, "check": verdict.check},
            ),
        )
        return state, findings

    def _verdict(self, state: State, days: tuple[Day, ...], now: Day | None) -> Verdict:
        lately = days[-2:]
        measured = math.exp(median(day.measured for day in lately))
        permeate = median(self._permeate_us_cm(day) for day in lately)
        against = measured if self._limit_is == "passage" else permeate
        beyond = self._limit is not None and against >= self._limit
        broken = self._feed is not None and measured >= _PASSAGE_BROKEN_PCT
        usual = measured if state.reference is None else math.exp(state.reference.measured)
        high = self._feed is not None and usual >= _PASSAGE_QUESTIONED_PCT
        verdict = Verdict(measured, permeate, beyond, broken, None, beyond or broken)
        if state.reference is None:
            return replace(verdict, check="high" if high and not verdict.membrane else "")
        sums = state.sums if now is None else stepped(state.sums, state.reference, now, self.doubt)
        course_ = course(days, sums, state.reference, self.doubt, state.told)
        return self._of_course(replace(verdict, course=course_), state, high)

    def _of_course(self, verdict: Verdict, state: State, high: bool) -> Verdict:
        """Whether what the days show is a membrane, a probe to be checked, or nothing."""
        course_ = verdict.course
        assert course_ is not None
        line = math.log1p(_NINE_IN_TEN * self._drift) * (0.5 if state.told_membrane else 1.0)
        step = _ec25(self._permeate, self._permeate.canonical_resolution)
        moved_us_cm = abs(verdict.permeate_us_cm * (1.0 - 1.0 / (1.0 + course_.change)))
        told = course_.direction if moved_us_cm >= _COUNTS * step else 0
        by_feed = self._feed is not None and (
            -course_.feed_change * told >= FEED_SHARE * abs(math.log1p(course_.change))
        )
        membrane, check, suspect = verdict.membrane, "", ""
        if state.still and not membrane:
            check, suspect = "still", state.still
        elif told and by_feed and self._feed is not None and abs(course_.unexplained) > line:
            check, suspect = "feed", self._feed.id
        elif told == 1 and course_.unexplained > line:
            membrane, check = True, "drift" if state.told_check else ""
        elif told == 1:
            check = "drift"
        elif told == -1 and -course_.unexplained > line:
            check = "fallen"
        elif high and not membrane:
            check = "high"
        return replace(verdict, membrane=membrane, check=check, suspect=suspect)

    def _permeate_us_cm(self, day: Day) -> float:
        measured = math.exp(day.measured)
        return measured if self._feed is None else measured * math.exp(day.feed) / 100.0

    def _finding(
        self,
        condition: str,
        subject: str,
        holds: bool,
        reading: Reading,
        verdict: Verdict,
        evidence: Evidence,
    ) -> Finding:
        since_ms = reading.time_ms
        if holds and verdict.course is not None and verdict.course.direction:
            since_ms = min(self._midnight_ms(verdict.course.since), reading.time_ms)
        return Finding(
            condition=condition,
            subject=subject,
            holds=holds,
            time_ms=reading.time_ms,
            since_ms=since_ms,
            confidence=self._confidence(verdict),
            evidence=evidence,
        )

    def _confidence(self, verdict: Verdict) -> float:
        """How sure it is no probe's drift: drifts taken as lognormal, half of them in this direction."""
        course_ = verdict.course
        if course_ is None or not course_.direction:
            return 0.9
        probes = 1 if self._feed is None else 2
        sure = 1.0 - 0.5 * _drifts_so_far(abs(course_.unexplained), self._drift * math.sqrt(probes))
        return round(min(sure, 0.97 if course_.sure else 0.7), 3)

    def _midnight_ms(self, day: int) -> int:
        return int(datetime.combine(date.fromordinal(day), time(), self._zone).timestamp() * 1000)

    def _evidence(self, state: State, verdict: Verdict, reading: Reading) -> Evidence:
        ages = [
            reading.time_ms - state.latest[name].time_ms
            for name in self._beside.values()
            if name in state.latest
        ]
        found: dict[str, Any] = {
            "channel": self._permeate.id,
            "where": self._where,
            "stage": self._stage,
            "what": self._what[self._permeate.id],
            "feed": None if self._feed is None else self._what[self._feed.id],
            "measured": verdict.measured,
            "permeate_us_cm": verdict.permeate_us_cm,
            "form": self.form,
            "oldest_input_ms": max(ages, default=0),
            "limit": self._limit,
            "limit_is": self._limit_is,
            "beyond_limit": verdict.beyond_limit,
            "broken": verdict.broken,
            "still": state.still,
            "suspect": verdict.suspect,
            "probe_drift_pct": 100.0 * self._drift,
            "questioned_pct": _PASSAGE_QUESTIONED_PCT,
            "learned_until": None,
        }
        if state.reference is None or verdict.course is None:
            until = date.fromordinal(state.begun + self._learn_days)
            return found | {"young_until": until.isoformat()}
        return found | self._of_reference(state.reference, verdict.course, verdict)

    def _of_reference(self, reference: Reference, course_: Course, verdict: Verdict) -> dict[str, Any]:
        usual = math.exp(reference.measured)
        now = usual * (1.0 + course_.change)
        rate, left = course_.rate, None
        if self._limit is not None:
            # What is measured moves with the index; today's temperature and feed stay as they are.
            against = verdict.measured if self._limit_is == "passage" else verdict.permeate_us_cm
            left = days_to((1.0 + course_.change) * self._limit / against, course_)
        return {
            "value": now,
            "usual": usual,
            "change_pct": 100.0 * course_.change,
            "unexplained_pct": 100.0 * math.expm1(course_.unexplained),
            "doubt_pct": 100.0 * course_.doubt,
            "direction": course_.direction,
            "since": date.fromordinal(course_.since).isoformat() if course_.since else None,
            "rate_pct_week": None if rate is None else 100.0 * rate.a_week,
            "rate_low_pct_week": None if rate is None else 100.0 * rate.low,
            "rate_high_pct_week": None if rate is None else 100.0 * rate.high,
            "days": course_.days,
            "days_left": None if left is None else list(left),
            "sigma_pct": 100.0 * reference.sigma,
            "phi": reference.phi,
            "reference_days": reference.days,
            "learned_until": date.fromordinal(reference.until).isoformat(),
            "sure": course_.sure,
        }


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


def _drifts_so_far(change: float, median_drift: float) -> float:
    """Share of probes that drift at least so far: lognormal, nine in ten below `_NINE_IN_TEN` medians."""
    if change <= 0.0 or median_drift <= 0.0:
        return 1.0 if median_drift > 0.0 else 0.0
    spread = math.log(_NINE_IN_TEN) / 1.2816
    return 0.5 * math.erfc(math.log(change / median_drift) / spread / math.sqrt(2.0))
