"""Rule `top-off-mix`: a proportioner that drifts from what it is set to, and concentrate that runs out.

A venturi mixer follows the water's pressure and what clogs its nozzle; it never says so. Sumps follow weeks
later. A refractometer under the mixer's outlet, once a week, tells it at once; and of what the book holds it
follows how long the drum will last.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field

from monitor.frozen import replace
from monitor.plant.fields import Id, Measure, PositiveDurationMs, RefersTo, ShareField
from monitor.plant.model import Coolant, Plant
from monitor.readings import Evidence, Finding, OperatorAction, Reading, Tick, Wording
from monitor.rules.band import Side, judged
from monitor.rules.rule import RuleSettings, number, plant_channel, text
from monitor.rules.sumps import CAUTIONS, DAY_MS, Days, believed, channel_in, counted, day_words
from monitor.water.refractometer import coolant_concentration_pct

# What one reading of a refractometer may be off (common practice, no source).
_READING_BRIX = 0.25
_MOST_ZERO_BRIX = 5.0
_KEPT_READINGS = 6
_USE_DAYS = 28
_FEWEST_USE_DAYS = 7
_KEPT_DAYS = 120
_MOST_COUNTS = 40


class Settings(RuleSettings):
    """`kind = "top-off-mix"`."""

    kind: Literal["top-off-mix"]
    coolant: Annotated[Id, RefersTo("coolant"), Field(description="the coolant whose concentrate is mixed")]
    set: Annotated[ShareField, Field(description="the concentration the mixer is set to")]
    mix: Annotated[
        Id | None,
        RefersTo("channel", ("concentration",)),
        Field(description="the refractometer held into what the mixer gives"),
    ] = None
    zero: Annotated[
        Id | None,
        RefersTo("channel", ("concentration",)),
        Field(
            description="the refractometer held into the shop's own make-up water: the zero of its readings"
        ),
    ] = None
    off: Annotated[
        ShareField, Field(description="told when the mix is off by so large a part of what is set")
    ] = Measure(20.0, "%")
    reorder: Annotated[
        PositiveDurationMs, Field(description="told when the concentrate lasts no longer than this")
    ] = 14 * DAY_MS


class Stock(NamedTuple):
    """Concentrate that was counted (`counted`), or came in."""

    time_ms: int
    counted: bool
    litres: float


@dataclass(frozen=True, slots=True)
class State:
    """The last readings of the mix, what was filled in day by day, and the stock's counts."""

    readings: tuple[tuple[int, float], ...] = ()  # time, per cent
    zero_brix: float | None = None
    out: Side = ""
    out_ms: int = 0
    counters: Mapping[str, float] = field(default_factory=dict)
    poured: Mapping[int, float] = field(default_factory=dict)  # litres of mix by day
    stock: tuple[Stock, ...] = ()
    short: bool = False
    short_ms: int = 0
    judged_day: int = 0

    version = 1


class TopOffMix:
    """One configured watch over one mixer and its drum."""

    kind = "top-off-mix"
    remembers_days = _KEPT_DAYS

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._coolant = _coolant(settings, plant)
        self._set_pct = 100.0 * settings.set.in_unit("1")
        if not 0.2 <= self._set_pct <= 30.0:
            raise ValueError('set must be from "0.2 %" to "30 %": the concentration of the mix')
        off = settings.off.in_unit("1")
        if not 0.05 <= off <= 1.0:
            raise ValueError('off must be from "5 %" to "100 %" of what is set')
        self._band = (self._set_pct * (1.0 - off), self._set_pct * (1.0 + off))
        for key in ("mix", "zero"):
            if (name := getattr(settings, key)) is not None:
                plant_channel(plant, name, key)
        if settings.mix is not None and self._coolant.factor is None:
            raise ValueError(f'mix: coolant "{self._coolant.id}" has no factor to read a refractometer by')
        self._where = plant.place_of(settings.mix) if settings.mix is not None else "mixer"
        self._days = Days(plant)
        self._sumps = {sump.id for sump in plant.sump if sump.coolant == self._coolant.id}
        self._counters = {c.id for name in self._sumps if (c := channel_in(plant, name, "volume"))}
        others = [name for name in (settings.mix, settings.zero) if name is not None]
        self.channels = frozenset({*self._counters, *others})

    def start(self) -> State:
        return State()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if not believed(reading):
            return state, ()
        if reading.channel == self.settings.zero:
            zero = min(max(reading.value, -_MOST_ZERO_BRIX), _MOST_ZERO_BRIX)
            return replace(state, zero_brix=zero), ()
        if reading.channel in self._counters:
            more_l = counted(state.counters.get(reading.channel), reading.value)
            state = replace(state, counters={**state.counters, reading.channel: reading.value})
            return self._with_pour(state, reading.time_ms, more_l), ()
        return self._of_mix(state, reading)

    def _of_mix(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        factor, zero = self._coolant.factor, state.zero_brix or 0.0
        assert factor is not None
        pct = coolant_concentration_pct(max(reading.value, zero), factor, zero)
        before = state.readings[-1][1] if state.readings else None
        out = judged(state.out, pct, before, self._band, _READING_BRIX * factor)
        state = replace(
            state,
            readings=(*state.readings, (reading.time_ms, pct))[-_KEPT_READINGS:],
            out=out,
            out_ms=state.out_ms if out == state.out else reading.time_ms,
        )
        finding = Finding(
            condition=self.settings.id,
            subject=reading.channel,
            holds=bool(out),
            time_ms=reading.time_ms,
            since_ms=state.out_ms or reading.time_ms,
            confidence=0.9,
            evidence=self._evidence(state),
        )
        return state, (finding,)

    def _evidence(self, state: State) -> dict[str, Any]:
        return {
            "told": "mix",
            "where": self._where,
            "coolant": self._coolant.label,
            "set_pct": round(self._set_pct, 2),
            "pct": round(state.readings[-1][1], 2) if state.readings else None,
            "before_pct": [round(pct, 1) for _, pct in state.readings[:-1]],
            "out": state.out,
            "band_pct": [round(end, 1) for end in self._band],
            "factor": self._coolant.factor,
            "zero_brix": None if state.zero_brix is None else round(state.zero_brix, 1),
        }

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        """A top-off of one of its sumps, or concentrate that came in or was counted."""
        if action.event == "top-off" and action.target in self._sumps:
            return self._with_pour(state, action.time_ms, action.value), ()
        if action.target == self._coolant.id and action.event.startswith("concentrate-"):
            stock = Stock(action.time_ms, action.event == "concentrate-counted", action.value)
            found = tuple(sorted((*state.stock, stock))[-_MOST_COUNTS:])
            return replace(state, stock=found, judged_day=0), ()
        return state, ()

    def _with_pour(self, state: State, time_ms: int, litres: float) -> State:
        if litres <= 0.0:
            return state
        day = self._days.day(time_ms)
        return replace(state, poured={**state.poured, day: state.poured.get(day, 0.0) + litres})

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        """The stock, once a day, and when something of it was told."""
        day = self._days.judged(tick.time_ms)
        if day == state.judged_day:
            return state, ()
        poured = {d: litres for d, litres in state.poured.items() if d > day - _KEPT_DAYS}
        state = replace(state, judged_day=day, poured=poured)
        left_l, use_l_d, how = self._stock(state, self._days.day(tick.time_ms))
        if left_l is None or use_l_d <= 0.0:
            return state, ()
        days, least_d = left_l / use_l_d, self.settings.reorder / DAY_MS
        short = days <= least_d * (1.2 if state.short else 1.0)
        state = replace(
            state, short=short, short_ms=state.short_ms if short and state.short else tick.time_ms
        )
        evidence = self._evidence(state) | {
            "told": "stock",
            "left_l": round(left_l, 0),
            "use_l_week": round(7.0 * use_l_d, 1),
            "days": round(days, 0),
            "until": day_words(self._days.day(tick.time_ms) + round(min(days, 3650.0))),
            "how": how,
            "reorder_d": round(least_d, 0),
            "counted": day_words(self._days.day(self._last_count(state).time_ms)),
            "counted_l": round(self._last_count(state).litres, 0),
        }
        finding = Finding(
            condition=f"{self.settings.id}/stock",
            subject=self._coolant.id,
            holds=short,
            time_ms=tick.time_ms,
            since_ms=state.short_ms,
            confidence=0.8,
            evidence=evidence,
        )
        return state, (finding,)

    def _last_count(self, state: State) -> Stock:
        return next(one for one in reversed(state.stock) if one.counted)

    def _stock(self, state: State, day: int) -> tuple[float | None, float, str]:
        """Litres left, litres used in a day, and how that is known; None before a first count."""
        counts = [one for one in state.stock if one.counted]
        if not counts:
            return None, 0.0, ""
        last = counts[-1]
        since = self._days.day(last.time_ms)
        used_l_d, how = self._use(state, counts, day)
        delivered = sum(one.litres for one in state.stock if not one.counted and one.time_ms > last.time_ms)
        left = last.litres + delivered - used_l_d * (day - since)
        return max(left, 0.0), used_l_d, how

    def _use(self, state: State, counts: Sequence[Stock], day: int) -> tuple[float, str]:
        """By two counts, which see all of it; else by the top-offs and the mix."""
        last = counts[-1]
        for first in counts[:-1]:
            days = (last.time_ms - first.time_ms) / DAY_MS
            if _FEWEST_USE_DAYS <= days <= 3 * _USE_DAYS:
                came = sum(
                    one.litres
                    for one in state.stock
                    if not one.counted and first.time_ms < one.time_ms <= last.time_ms
                )
                used = first.litres + came - last.litres
                if used > 0.0:
                    return used / days, f"two counts, {days:.0f} days apart"
        if not state.poured:
            return 0.0, ""
        days_known = min(day - min(state.poured) + 1, _USE_DAYS)
        if days_known < _FEWEST_USE_DAYS:
            return 0.0, ""
        litres = sum(amount for d, amount in state.poured.items() if d > day - days_known)
        pct = state.readings[-1][1] if state.readings else self._set_pct
        return litres * pct / 100.0 / days_known, f"top-offs of {days_known} days at {pct:.1f} %"


def _coolant(settings: Settings, plant: Plant) -> Coolant:
    for coolant in plant.coolant:
        if coolant.id == settings.coolant:
            return coolant
    known = ", ".join(coolant.id for coolant in plant.coolant) or "none"
    raise ValueError(f'coolant: "{settings.coolant}" is no coolant of this site; there are: {known}')


def build(settings: Settings, plant: Plant) -> TopOffMix:
    """The rule for this plant.

    Raises: ValueError naming the key and what would be right.
    """
    return TopOffMix(settings, plant)


def wording(evidence: Evidence) -> Wording:
    """The words for a mixer that is off, or for concentrate that runs out. Common practice, no source."""
    return _stock_words(evidence) if text(evidence, "told") == "stock" else _mix_words(evidence)


def _mix_words(evidence: Evidence) -> Wording:
    pct, wanted = number(evidence, "pct"), number(evidence, "set_pct")
    lean = pct < wanted
    zero = evidence.get("zero_brix")
    earlier = evidence.get("before_pct")
    before = [float(str(one)) for one in earlier] if isinstance(earlier, Sequence) else []
    facts = [
        ("mix now", f"{pct:.1f} %"),
        ("set", f"{wanted:g} %"),
        ("readings before", ", ".join(f"{one:g} %" for one in before) or "none"),
        (
            "how read",
            f"{number(evidence, 'factor'):g} % for each °Brix, "
            + ("not zeroed on the shop's own water" if zero is None else f"zero {float(str(zero)):g} °Brix"),
        ),
        ("20 L of it bring", f"{0.2 * pct:.1f} L of concentrate instead of {0.2 * wanted:.1f} L"),
    ]
    what = "thins every sump it tops off" if lean else "makes every sump it tops off richer"
    return Wording(
        first_line=f"Mixer: {pct:.1f} % {text(evidence, 'coolant')}, set to {wanted:g} %",
        facts=tuple(facts),
        meaning=f"What the mixer gives {what}, a little with each top-off; the sumps' own readings show it "
        "weeks later. Nothing has to stop.",
        steps=(
            "Draw half a bucket and read again: the first litres after standing are no measure.",
            "Water pressure and flow as the mixer's plate asks? A second open tap or a clogged strainer?",
            "Suction hose tight and under the surface, foot valve and nozzle clean, drum not empty?",
            "Set it anew by readings, and log the reading afterwards.",
            "Correct the sumps that were topped off with it once they have been read, not all at once.",
        ),
        cautions=(
            *CAUTIONS[:1],
            "Concentrate is far stronger than the mix: gloves, goggles, and never concentrate alone into a "
            "sump. The mixer's water side needs its backflow device by local code.",
        ),
    )


def _stock_words(evidence: Evidence) -> Wording:
    left, days = number(evidence, "left_l"), number(evidence, "days")
    coolant = text(evidence, "coolant")
    return Wording(
        first_line=f"{coolant}: concentrate for about {days:.0f} days ({left:.0f} L)",
        facts=(
            ("left", f"about {left:.0f} L"),
            ("used", f"{number(evidence, 'use_l_week'):.0f} L a week, by {text(evidence, 'how')}"),
            ("empty", f"about {text(evidence, 'until')}"),
            ("last counted", f"{number(evidence, 'counted_l'):.0f} L on {text(evidence, 'counted')}"),
        ),
        meaning="When the drum is empty the mixer goes on giving water, and thins sumps without a sign.",
        steps=(
            'Look at the drum and count: `goodwater log SITE COOLANT concentrate-counted "60 L"`.',
            "Order the same product; another one needs the supplier's word before the two meet in a sump.",
            "Log what comes in as concentrate-delivered.",
        ),
        cautions=(
            "Drums: lifting gear, a tray under them, no stack; keep them from frost as their label says.",
        ),
    )
