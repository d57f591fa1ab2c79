"""A conductivity that is said to stand at 25 °C and follows the temperature all the same.

Half-hours are compared with the one before: what changes slowly (season, membrane, supplier) drops out of the
differences, what follows the temperature does not. The slope of ln(value) over temperature is 0 where the
value is rightly compensated, about 2 % per °C where it is not at all, and about -2 % where it is twice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.frozen import replace
from monitor.plant.model import Channel, Plant
from monitor.readings import Evidence, Level, Reading, Reason
from monitor.rules.explaining import Figures, Moment
from monitor.rules.instrument.verdict import Verdict
from monitor.rules.rule import stage_kind_at

_BLOCK_MS = 1_800_000
_LEAST = 3  # readings of a block
_NEXT_MS = 3 * 3_600_000
_SPACING_MS = 60_000
# A larger change from one half-hour to the next is another water, not another temperature.
_LARGEST_STEP = 0.15
_HALF_LIFE_D = 14.0
_LEAST_PAIRS = 24.0
_LEAST_C2 = 15.0  # sum of the squared differences of temperature
_SIGMAS = 3.0
# Slopes that prove nothing, per °C. Waters differ from 2 % by some tenths of a per cent (common practice, no
# source). A membrane lets more salt through when it is warm: about 3 % per °C at constant flow, about none at
# constant pressure.
_NATURAL = (-0.008, 0.010)
_PERMEATE = (-0.012, 0.035)
_TRUSTED_MS = 120_000


@dataclass(frozen=True, slots=True)
class Block:
    """A half-hour: sums of temperature and ln(value)."""

    begun_ms: int
    n: int = 0
    t: float = 0.0
    ln: float = 0.0
    last_ms: int = 0


@dataclass(frozen=True, slots=True)
class Slope:
    """What the differences between half-hours say."""

    block: Block | None = None
    t: float = 0.0  # means of the block before,
    ln: float = 0.0
    at_ms: int = 0  # and when it began; 0 for none
    n: float = 0.0
    tt: float = 0.0
    tl: float = 0.0
    ll: float = 0.0
    holds: bool = False
    since_ms: int = 0


@dataclass(frozen=True, slots=True)
class Warm:
    """The last temperature of a channel."""

    c: float
    time_ms: int


@dataclass(frozen=True, slots=True)
class Followed:
    """Slopes of the probes, and the temperatures beside them."""

    slopes: Mapping[str, Slope]
    warm: Mapping[str, Warm]


class Compensated:
    """The channels whose values should not follow the temperature, where a thermometer tells."""

    def __init__(self, plant: Plant, instruments: frozenset[str]) -> None:
        self._beside = {
            c.id: warm
            for i in plant.instrument
            if i.id in instruments
            for c in i.channel
            if _at_25_c(c) and (warm := _thermometer(plant, c)) is not None
        }
        self._what = {name: plant.span_words(name) for name in self._beside}
        self._where = {name: plant.place_of(name) for name in self._beside}
        self._label = {name: plant.instrument_of(name).label for name in self._beside}
        self._by_itself = {
            n for n in self._beside if plant.channels[n].compensated or plant.channels[n].quantity == "tds"
        }
        self._natural = {
            name: _PERMEATE if stage_kind_at(plant, name) == "ro" else _NATURAL for name in self._beside
        }
        self._trusted_ms = {
            name: max(_TRUSTED_MS, 3 * plant.interval_of(warm)) for name, warm in self._beside.items()
        }
        self._warm = frozenset(self._beside.values())
        self.channels = frozenset({*self._beside, *self._warm})

    def subject(self, channel: str) -> str:
        return channel

    def figures(self, followed: Followed, now: Moment) -> Figures:
        return {name: [self._figure(name, slope)] for name, slope in followed.slopes.items()}

    def _figure(self, name: str, slope: Slope) -> str:
        if slope.n < _LEAST_PAIRS or slope.tt < _LEAST_C2:
            return (
                f"{slope.n:.0f} of {_LEAST_PAIRS:.0f} pairs of half-hours, and {slope.tt:.1f} of "
                f"{_LEAST_C2:.0f} °C² of warmer and colder: not enough yet to tell"
            )
        found, error = _slope(slope)
        low, high = self._natural[name]
        return (
            f"it follows the temperature by {found:+.2%} per °C, give or take {_SIGMAS * error:.2%}; told "
            f"when that lies surely outside {low:+.1%} to {high:+.1%}"
        )

    def on_reading(
        self, followed: Followed, reading: Reading, *, told: bool
    ) -> tuple[Followed, Verdict | None]:
        """After a reading of a probe or thermometer; `told` asks for a verdict also when all is well."""
        name = reading.channel
        if name in self._warm and reading.level != Level.BAD and not reading.reasons & Reason.JUMP:
            warm = {**followed.warm, name: Warm(reading.value, reading.time_ms)}
            followed = replace(followed, warm=warm)
        if name not in self._beside or not _tells(reading):
            return followed, None
        warm_now = followed.warm.get(self._beside[name])
        if warm_now is None or not 0 <= reading.time_ms - warm_now.time_ms <= self._trusted_ms[name]:
            return followed, None
        before = followed.slopes.get(name) or Slope()
        slope = _with(before, reading.time_ms, warm_now.c, math.log(reading.value))
        if slope is before:
            return followed, None
        verdict = None
        if slope.n != before.n:
            slope = self._judged(name, slope, reading.time_ms)
            if slope.holds or told:
                verdict = self._verdict(name, slope, reading.time_ms)
        return replace(followed, slopes={**followed.slopes, name: slope}), verdict

    def _judged(self, name: str, slope: Slope, now_ms: int) -> Slope:
        low, high = self._natural[name]
        if slope.n < _LEAST_PAIRS or slope.tt < _LEAST_C2:
            return slope
        found, error = _slope(slope)
        if slope.holds:
            holds = not low <= found <= high
        else:
            holds = found - _SIGMAS * error > high or found + _SIGMAS * error < low
        return slope if holds == slope.holds else replace(slope, holds=holds, since_ms=now_ms)

    def _verdict(self, name: str, slope: Slope, now_ms: int) -> Verdict:
        found, error = _slope(slope)
        evidence: Evidence = {
            "channel": name,
            "what": self._what[name],
            "where": self._where[name],
            "instrument": self._label[name],
            "slope_pct_c": 100.0 * found,
            "low_pct_c": 100.0 * (found - _SIGMAS * error),
            "high_pct_c": 100.0 * (found + _SIGMAS * error),
            "half_hours": round(slope.n),
            "by_itself": name in self._by_itself,
            "permeate": self._natural[name] == _PERMEATE,
        }
        return Verdict("compensation", name, slope.holds, now_ms, slope.since_ms or now_ms, 0.85, evidence)


def _at_25_c(channel: Channel) -> bool:
    if channel.quantity == "conductivity":
        return bool(channel.compensated) or channel.compensation != "none"
    return channel.quantity == "tds"


def _thermometer(plant: Plant, channel: Channel) -> str | None:
    """The temperature of the same water: the channel's own, its instrument's, or its point's."""
    if channel.temperature is not None:
        return channel.temperature
    instrument, point = plant.instrument_of(channel.id), plant.point_of(channel.id)
    warm = [c for c in plant.channels.values() if c.quantity == "temperature"]
    at_point = [c for c in warm if point is not None and plant.point_of(c.id) == point]
    own = [c for c in at_point if plant.instrument_of(c.id) is instrument]
    return next((c.id for c in (*own, *at_point)), None)


def _tells(reading: Reading) -> bool:
    doubtful = Reason.JUMP | Reason.NO_TEMPERATURE | Reason.OUTSIDE_METHOD | Reason.GATE_UNKNOWN
    return reading.usable and not reading.again and not reading.reasons & doubtful and reading.value > 0.0


def _with(slope: Slope, time_ms: int, warm_c: float, ln: float) -> Slope:
    """The slope with one more reading; the same one where it came too soon after the last."""
    block = slope.block
    if block is not None and 0 <= time_ms - block.last_ms < _SPACING_MS:
        return slope
    if block is not None and not 0 <= time_ms - block.begun_ms < _BLOCK_MS:
        slope, block = _closed(slope, block), None
    if block is None:
        block = Block(time_ms)
    return replace(slope, block=Block(block.begun_ms, block.n + 1, block.t + warm_c, block.ln + ln, time_ms))


def _closed(slope: Slope, block: Block) -> Slope:
    if block.n < _LEAST:
        return slope
    t, ln, apart_ms = block.t / block.n, block.ln / block.n, block.begun_ms - slope.at_ms
    more_t, more_ln = t - slope.t, ln - slope.ln
    if slope.at_ms and 0 < apart_ms <= _NEXT_MS and abs(more_ln) <= _LARGEST_STEP:
        # What is long ago counts less, so that a probe put right is seen to be.
        kept = 0.5 ** (apart_ms / 86_400_000 / _HALF_LIFE_D)
        slope = replace(
            slope,
            n=kept * slope.n + 1.0,
            tt=kept * slope.tt + more_t * more_t,
            tl=kept * slope.tl + more_t * more_ln,
            ll=kept * slope.ll + more_ln * more_ln,
        )
    return replace(slope, t=t, ln=ln, at_ms=block.begun_ms)


def _slope(slope: Slope) -> tuple[float, float]:
    """Slope per °C and its standard error."""
    found = slope.tl / slope.tt
    rest = max(slope.ll - found * slope.tl, 0.0) / max(slope.n - 2.0, 1.0)
    return found, math.sqrt(rest / slope.tt)
