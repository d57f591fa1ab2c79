"""Rule `stuck`: a value that repeats itself for longer than the instrument's own unrest explains.

How long is too long is the instrument's own: a sensor whose last digit flickers is stuck after a few dozen
equal readings, one that shows the same digit for days when it is well is not. Each channel learns from its
own last weeks how often a reading equals the one before it and how long the longest standstill was.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import Id, RefersTo
from monitor.plant.model import Channel, Plant
from monitor.plant.units import shown
from monitor.readings import Bound, Evidence, Finding, Reading, Reason, Tick, Wording
from monitor.rules.explaining import Figures, Moment
from monitor.rules.rule import RuleSettings, number, plant_channel, text
from monitor.stats.errors import OutOfRange
from monitor.stats.flat import flat_run_limit, identical_readings_probability_averaged

_DAY_MS = 86_400_000
# What is learned is kept for one to two of these, so a week-end is always in it.
_GENERATION_MS = 14 * _DAY_MS
_LEARN_MS = 7 * _DAY_MS
_LEAST_READINGS = 500
# A standstill this many times longer than the longest known one is no longer the instrument's habit.
_TIMES_LONGEST = 3.0
# The same where the digit hardly moves, so that the known ones are long and few.
_TIMES_LONGEST_COARSE = 2.0
_LEAST_RUN_MS = 2 * 3_600_000
_LEAST_RUN = 20
# Above this share of repeats the last digit hardly moves, and its noise cannot be told from the digit.
_MOST_REPEATS = 0.7
_FALSE_A_DAY = 1 / 365
# These stand still by nature.
_NOT_JUDGED = frozenset({"contact", "volume"})


class Settings(RuleSettings):
    """`kind = "stuck"`."""

    kind: Literal["stuck"]
    channels: Annotated[
        tuple[Id, ...],
        RefersTo("channel"),
        Field(description="the channels watched; empty means all that do not stand still by nature"),
    ] = ()


@dataclass(frozen=True, slots=True)
class Habit:
    """How one channel behaves in one generation of learning."""

    since_ms: int = 0
    readings: int = 0
    repeats: int = 0
    longest_ms: int = 0  # the longest standstill that ended by itself

    def plus(self, other: Habit) -> Habit:
        """Both together, as one longer stretch."""
        return Habit(
            min(self.since_ms or other.since_ms, other.since_ms or self.since_ms),
            self.readings + other.readings,
            self.repeats + other.repeats,
            max(self.longest_ms, other.longest_ms),
        )


@dataclass(frozen=True, slots=True)
class Run:
    """The run of equal readings that one channel is in."""

    raw: float = math.nan
    since_ms: int = 0
    last_ms: int = 0
    readings: int = 0
    stuck: bool = False


_NO_RUN, _NO_HABIT = Run(), Habit()


@dataclass(frozen=True, slots=True)
class State:
    """The present run of each channel and its habits, of this generation and the one before."""

    runs: Mapping[str, Run] = field(default_factory=dict)
    now: Mapping[str, Habit] = field(default_factory=dict)
    before: Mapping[str, Habit] = field(default_factory=dict)

    version = 1


@dataclass(frozen=True, slots=True)
class _Allowance:
    """How long a channel may stand still, and on what that rests."""

    ms: float
    readings: int
    longest_ms: int  # the longest standstill known; 0 when none is
    repeats: float
    by_own_noise: bool


class Stuck:
    """One configured watch for values that no longer move."""

    kind = "stuck"
    remembers_days = 2 * _GENERATION_MS // _DAY_MS

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        for name in settings.channels:
            plant_channel(plant, name, "channels")
            if plant.channels[name].quantity in _NOT_JUDGED:
                raise ValueError(
                    f'channels: "{name}" is a {plant.channels[name].quantity}, which stands still by nature; '
                    "leave it out"
                )
            if name in plant.computed:
                there = ", ".join(plant.computed[name].inputs.values())
                raise ValueError(f'channels: "{name}" is computed; watch what it is computed of: {there}')
        measured = [c for c in plant.channels.values() if c.id not in plant.computed]
        judged = [c for c in measured if c.quantity not in _NOT_JUDGED]
        self._channels: dict[str, Channel] = {
            c.id: c for c in judged if not settings.channels or c.id in settings.channels
        }
        self._where = {name: plant.place_of(name) for name in self._channels}
        self._what = {name: plant.span_words(name) for name in self._channels}
        self._instrument = {name: plant.instrument_of(name).label for name in self._channels}
        self.channels = frozenset(self._channels)

    def start(self) -> State:
        return State()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        return state, ()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if reading.again:
            return state, ()
        name = reading.channel
        before = state.runs.get(name, _NO_RUN)
        run = _next(before, reading)
        state = _learned(state, name, before, run, reading.time_ms)
        allowance = self._allowance(state, name)
        lasted_ms = reading.time_ms - run.since_ms
        # At an end of its range it stands still by nature: nothing flows, nothing is dissolved, or too much.
        channel = self._channels[name]
        resting = reading.bound != Bound.EXACT or channel.in_its_unit(reading.raw) <= channel.range[0]
        holds = lasted_ms > allowance.ms and run.readings >= allowance.readings
        if not allowance.by_own_noise:
            holds = holds and bool(reading.reasons & Reason.FLAT)
        run = replace(run, stuck=holds and not resting)
        state = replace(state, runs={**state.runs, name: run})
        return state, (self._finding(name, run, allowance, reading),)

    def _allowance(self, state: State, name: str) -> _Allowance:
        """What the channel's own habit allows; `flat_after` without one, or with one that tells nothing."""
        habit = state.before.get(name, _NO_HABIT).plus(state.now.get(name, _NO_HABIT))
        flat_after = float(self._channels[name].flat_after)
        span_ms = state.runs[name].last_ms - habit.since_ms if name in state.runs else 0
        repeats = habit.repeats / habit.readings if habit.readings else 1.0
        longest_ms = habit.longest_ms if span_ms >= _LEARN_MS else 0
        if habit.readings < _LEAST_READINGS or not longest_ms or repeats > _MOST_REPEATS:
            allowed = max(flat_after, _TIMES_LONGEST_COARSE * longest_ms)
            return _Allowance(allowed, 2, longest_ms, repeats, by_own_noise=False)
        per_day = habit.readings / (span_ms / _DAY_MS)
        least = max(_LEAST_RUN, _fewest_equal(round(repeats, 2), round(per_day, -1)))
        allowed = max(_LEAST_RUN_MS, _TIMES_LONGEST * longest_ms, least * _DAY_MS / per_day)
        return _Allowance(allowed, least, longest_ms, repeats, by_own_noise=True)

    def explain(self, state: State, now: Moment) -> Figures:
        """Of each channel how long it stands still, beside how long its own habit allows."""
        return {f"{self.settings.id}/{name}": self._told(state, name, now) for name in state.runs}

    def _told(self, state: State, name: str, now: Moment) -> list[str]:
        run, allowance = state.runs[name], self._allowance(state, name)
        habit = state.before.get(name, _NO_HABIT).plus(state.now.get(name, _NO_HABIT))
        lines = [
            f"unchanged since {now.ago(run.since_ms)}: {run.readings} readings of {run.raw:g}",
            f"called stuck after {_span(allowance.ms)} and {allowance.readings} equal readings",
        ]
        if allowance.by_own_noise:
            lines.append(
                f"by its own habit: {allowance.repeats:.0%} of {habit.readings} readings repeated the one "
                f"before, the longest standstill took {_span(allowance.longest_ms)}"
            )
        else:
            lines.append(
                f"by flat_after: too little is known of its noise yet, or its digit hardly moves "
                f"({habit.readings} readings since {now.clock(habit.since_ms)})"
            )
        return lines

    def _finding(self, name: str, run: Run, allowance: _Allowance, reading: Reading) -> Finding:
        lasted_ms = reading.time_ms - run.since_ms
        return Finding(
            condition=f"{self.settings.id}/{name}",
            subject=name,
            holds=run.stuck,
            time_ms=reading.time_ms,
            since_ms=run.since_ms,
            confidence=0.95 if allowance.by_own_noise else 0.7,
            distrusts=(name,),
            evidence={
                "channel": name,
                "instrument": self._instrument[name],
                "what": self._what[name],
                "where": self._where[name],
                "quantity": self._channels[name].quantity,
                "value": reading.value,
                "same_for_ms": lasted_ms,
                "readings": run.readings,
                "allowed_ms": allowance.ms,
                "longest_ms": allowance.longest_ms or None,
                "by_own_noise": allowance.by_own_noise,
                "repeats": round(allowance.repeats, 3),
            },
        )


def _next(run: Run, reading: Reading) -> Run:
    if reading.raw != run.raw:
        return Run(reading.raw, reading.time_ms, reading.time_ms, 1)
    return replace(run, last_ms=reading.time_ms, readings=run.readings + 1)


def _learned(state: State, name: str, before: Run, run: Run, now_ms: int) -> State:
    """Take a reading into the channel's habit. A standstill that was called stuck teaches nothing."""
    habit = state.now.get(name) or Habit(now_ms)
    if now_ms - habit.since_ms > _GENERATION_MS:
        state = replace(state, before={**state.before, name: habit})
        habit = Habit(now_ms)
    if before.readings and not before.stuck:
        repeated = run.readings > 1
        ended_ms = 0 if repeated else before.last_ms - before.since_ms
        habit = replace(
            habit,
            readings=habit.readings + 1,
            repeats=habit.repeats + repeated,
            longest_ms=max(habit.longest_ms, ended_ms),
        )
    return replace(state, now={**state.now, name: habit})


@lru_cache(maxsize=4096)
def _fewest_equal(repeats: float, readings_a_day: float) -> int:
    """Equal readings in a row that noise of this size shows less than once a year.

    The noise is found from how often readings repeat (`identical_readings_probability_averaged`, two
    readings), then held against the worst case, a true value in the middle of a digit.
    """
    low, high = 0.02, 20.0  # step over sigma
    for _ in range(40):
        middle = math.sqrt(low * high)
        if identical_readings_probability_averaged(middle, 2) < repeats:
            low = middle
        else:
            high = middle
    try:
        return flat_run_limit(low, max(readings_a_day, 1.0), _FALSE_A_DAY)
    except OutOfRange:
        return 1_000_000


def build(settings: Settings, plant: Plant) -> Stuck:
    """The rule for this plant.

    Raises: ValueError naming a channel that the plant does not have or that stands still by nature.
    """
    return Stuck(settings, plant)


def wording(evidence: Evidence) -> Wording:
    """What a value that does not move means, and how to find out whether it is the instrument."""
    where, instrument = text(evidence, "where"), text(evidence, "instrument")
    quantity = text(evidence, "quantity")
    value = shown(number(evidence, "value"), quantity)
    same = _span(number(evidence, "same_for_ms"))
    facts = [("shows unchanged", value), ("for", f"{same}, {number(evidence, 'readings'):.0f} readings")]
    if evidence.get("longest_ms") is not None:
        facts.append(("its longest standstill before", _span(number(evidence, "longest_ms"))))
    facts.append(("called stuck after", _span(number(evidence, "allowed_ms"))))
    if evidence.get("by_own_noise"):
        why = "Its last digit has never stood still for so long before."
    else:
        why = "Its last digit seldom moves even when it is well, so it may be a very steady value."
    return Wording(
        first_line=f"{where}: {instrument} stuck at {value} for {same}",
        facts=tuple(facts),
        meaning=f"The {text(evidence, 'what')} no longer follows what it measures. {why} Whatever is judged "
        "by this value is not watched until it moves again.",
        steps=(
            *_STEPS.get(quantity, _STEPS_OTHER),
            "Read the value by hand and write it down; judge by it until the instrument moves again.",
            "If the value truly stood still (plant shut down), acknowledge with that comment.",
        ),
        cautions=("Mains power and moving parts: have a qualified person open any enclosure or guard.",),
    )


_STEPS: dict[str, tuple[str, ...]] = {
    "level": (
        "Look at the sump or tank: is the level really where the sensor says?",
        "Free a float that hangs; wipe an ultrasonic sensor's face and look for foam or chips under it.",
        "Restart the sensor and see whether its last digit moves.",
    ),
    "conductivity": (
        "Hold a calibrated hand meter against it in running water.",
        "Look for air, a closed sample valve or scale at the probe; clean it as its maker says.",
        "Restart the meter and see whether its last digit moves.",
    ),
}
_STEPS_OTHER = (
    "Look at the instrument: does its own display move when what it measures does?",
    "Check the cable and restart the instrument.",
)


def _span(ms: float) -> str:
    minutes = ms / 60_000
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 72 * 60 else f"{minutes / 1440:.1f} days"
