"""Rule `breakthrough`: one DI bed, by its load, by the front in its outlet, and by what it discharges.

Three conditions, each an alarm of its own: `RULE/forecast` (spent soon, by equivalents), `RULE/front` (the
outlet has risen for good above the bed's own clean baseline) and `RULE/discharge` (the outlet is above its
feed). Parts: `flow.py` (litres, and whether water is being made), `load.py`,
`front.py`, `discharge.py`; memory, evidence and words in files of their own.
"""

from __future__ import annotations

from datetime import datetime, time
from zoneinfo import ZoneInfo

from monitor.frozen import replace
from monitor.plant.model import Channel, Plant
from monitor.readings import Bound, Finding, Level, Reading, Reason, Standing, Tick
from monitor.rules.breakthrough import discharge, front, load
from monitor.rules.breakthrough.ec import READ_AS_EC, Conductivity
from monitor.rules.breakthrough.evidence import Bed, evidence
from monitor.rules.breakthrough.explain import figures
from monitor.rules.breakthrough.flow import (
    DAY_MS,
    SETTLED_MS,
    Counter,
    DayLow,
    made_water,
    on_contact,
    on_flow,
    on_low,
    use_l_d,
)
from monitor.rules.breakthrough.settings import Condition, Settings
from monitor.rules.breakthrough.state import Latest, Left, State, left
from monitor.rules.breakthrough.words import wording
from monitor.rules.explaining import Figures, Moment
from monitor.rules.rule import plant_channel, stage_kind_at

__all__ = ["Breakthrough", "Settings", "State", "build", "wording"]

_HOUR_MS = 3_600_000
# An inlet value older than this is no partner of the outlet's; the usual feed then is, with this much doubt.
_PARTNER_MS = 1_800_000
_USUAL_FEED_OFF = 0.2
# A forecast that holds lets go only when the time left is so many times longer again.
_LET_GO = 1.5
# Where nothing counts litres the front is drawn over minutes of made water, at most so many between readings.
_LONGEST_MIN = 10.0


class Breakthrough:
    """The watch over one DI bed."""

    kind = "breakthrough"
    remembers_days = 400  # the litres and the front of a bed are counted from its first day

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._roles = _roles(settings, plant)
        self._channels: dict[str, Channel] = {name: plant.channels[name] for name in self._roles}
        if settings.rated_flow is not None and settings.running is None:
            raise ValueError("rated_flow needs `running`, the contact that says when that much flows")
        if settings.inlet is None and settings.watch_for == ("discharge",):
            raise ValueError(
                'watch_for = ["discharge"] needs `inlet`: a discharge is an outlet above its feed'
            )
        self._ec = {name: Conductivity(c) for name, c in self._channels.items() if c.quantity in READ_AS_EC}
        zone = ZoneInfo(plant.site.timezone)
        self._installed_ms = tuple(
            int(datetime.combine(day, time(), zone).timestamp() * 1000) for day in settings.installed
        )
        self._resin_l = _resin_l(settings, plant)
        self._capacity = None if settings.capacity is None else settings.capacity.in_unit("eq/L")
        self._rated = None if settings.rated_flow is None else settings.rated_flow.canonical("flow")
        self._before_l = None if settings.treated is None else settings.treated.canonical("volume")
        self._chemistry = _chemistry(settings, plant)
        gate = self._channels[settings.outlet].gate
        self._standing_l_min = 0.2 if gate is None else gate.above.canonical("flow")
        self._bed = _bed(settings, plant, self._chemistry.co2_mg_l is not None)
        self.channels = frozenset(self._roles)
        self.rests_on = frozenset({settings.outlet})

    def start(self) -> State:
        return State()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        """Water loads the bed also while its outlet says nothing: the forecast is given every hour."""
        if tick.time_ms % _HOUR_MS or not state.bed_ms or "forecast" not in self.settings.watch_for:
            return state, ()
        state, remaining = self._due(state, tick.time_ms)
        return state, (self._finding(state, remaining, "forecast", tick.time_ms),)

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        state = self._bed_of(state, reading.time_ms)
        role = self._roles[reading.channel]
        if role == "flow":
            return self._counted(state, on_flow(state.counter, reading, self._standing_l_min)), ()
        if role == "running":
            metered = self.settings.flow is not None
            counter = on_contact(state.counter, reading, self._rated, metered=metered)
            return self._counted(state, counter), ()
        reading = replace(reading, value=self._ec[reading.channel].us_cm(reading.value))
        latest = Latest(reading.value, reading.time_ms, reading.bound == Bound.AT_LEAST)
        if role == "tap":
            return (replace(state, tap=latest) if reading.usable else state), ()
        state, findings = self._on_low(state, reading, role)
        how = self._made(state, reading)
        if not how:
            return state, findings
        state = replace(state, lows=replace(state.lows, accepted_ms=reading.time_ms))
        if role == "inlet":
            return replace(state, inlet=latest), findings
        return self._on_outlet(state, latest, how)

    # ------------------------------------------------------------ the bed, and the water through it

    def _bed_of(self, state: State, now_ms: int) -> State:
        """Begin a bed: the first one heard of, or a fresh one from its day on."""
        installed = max((at for at in self._installed_ms if at <= now_ms), default=0)
        if not state.bed_ms:
            before_l = self._before_l or 0.0
            return replace(
                state,
                bed_ms=installed or now_ms,
                counted_ms=now_ms,
                dated=bool(installed),
                whole=self._before_l is not None or (bool(installed) and now_ms - installed < DAY_MS),
                counter=replace(state.counter, litres=before_l),
                loaded_l=before_l,
            )
        if installed <= state.bed_ms or (not state.dated and installed < state.counted_ms - DAY_MS):
            return state
        return replace(
            state,
            bed_ms=installed,
            counted_ms=now_ms,
            dated=True,
            whole=True,
            counter=replace(state.counter, litres=0.0),
            loaded_l=0.0,
            lows_l=0.0,
            load=self._learned(state),
            front=front.after_change(state.front),
            due=False,
            due_since_ms=now_ms,
        )

    def _learned(self, state: State) -> load.Load:
        """A bed that was counted from its first litre and seen to its end has shown its capacity."""
        if state.whole and state.front.end_l is not None:
            return load.learned(state.load, self._chemistry, self._resin_l, state.front.end_l)
        return load.Load(learned_eq_l=state.load.learned_eq_l)

    def _counted(self, state: State, counter: Counter) -> State:
        """Take litres counted since the last time into the load, at the inlet's conductivity."""
        state, more_l = replace(state, counter=counter), counter.litres - state.loaded_l
        if state.inlet is None or more_l < 1.0:
            return state
        taken = load.on_water(state.load, more_l, state.inlet.value)
        return replace(state, load=taken, loaded_l=counter.litres)

    def _made(self, state: State, reading: Reading) -> str:
        """How a reading is known to be of made water; "" where it says nothing of it."""
        over = reading.bound == Bound.AT_LEAST and reading.standing <= Standing.GATED
        if not over and (reading.level == Level.BAD or reading.reasons & Reason.JUMP):
            return ""
        gate = self._channels[reading.channel].gate
        settled_ms = SETTLED_MS if gate is None else gate.minutes
        return made_water(state.counter, reading, settled_ms, gated=gate is not None)

    # ------------------------------------------------------------ the outlet

    def _on_outlet(self, state: State, latest: Latest, how: str) -> tuple[State, tuple[Finding, ...]]:
        now_ms = latest.time_ms
        if not self._bed.counts_litres:
            minutes = 0.0 if state.outlet is None else (now_ms - state.outlet.time_ms) / 60_000
            litres = state.counter.litres + min(minutes, _LONGEST_MIN)
            state = replace(state, counter=replace(state.counter, litres=litres))
        state = replace(state, outlet=latest)
        litres, partner = state.counter.litres, self._fresh_inlet(state, now_ms)
        feed = None if partner is None or partner.least else partner.value
        filled, done = front.add(state.front, litres, latest.value, feed)
        if done is not None:
            filled = front.judged(filled, done, now_ms, self._probe(done.outlet))
        state = replace(state, front=filled)
        compared = self._compared_with(state, partner)
        if compared is not None:
            off = compared[1] + self._off(self.settings.outlet, latest.value)
            pair = discharge.Pair(now_ms, litres, latest.value, compared[0], off, latest.least, how)
            state = replace(state, discharge=discharge.judged(state.discharge, pair))
        return self._told(state, now_ms)

    def _fresh_inlet(self, state: State, now_ms: int) -> Latest | None:
        inlet = state.inlet
        return inlet if inlet is not None and now_ms - inlet.time_ms <= _PARTNER_MS else None

    def _compared_with(self, state: State, partner: Latest | None) -> tuple[float, float] | None:
        """The feed and what it may be off; without a fresh value the usual feed, with more doubt."""
        name = self.settings.inlet
        if name is None or (partner is not None and partner.least):
            return None
        if partner is not None:
            return partner.value, self._off(name, partner.value)
        usual = front.feed_us_cm(state.front)
        if usual is None and state.inlet is not None and not state.inlet.least:
            usual = state.inlet.value
        return None if usual is None else (usual, self._off(name, usual) + _USUAL_FEED_OFF * usual)

    def _on_low(self, state: State, reading: Reading, role: str) -> tuple[State, tuple[Finding, ...]]:
        """Where nothing could be judged for long (a dead meter) the lowest readings of a day are."""
        if self.settings.inlet is None:
            return state, ()
        step = on_low(state.lows, reading, is_outlet=role == "outlet")
        state = replace(state, lows=step.lows)
        if step.ended is None:
            return state, ()
        return self._on_day_low(state, step.ended, reading.time_ms)

    def _on_day_low(self, state: State, low: DayLow, now_ms: int) -> tuple[State, tuple[Finding, ...]]:
        usual = front.feed_us_cm(state.front)
        ran = usual is not None and low.inlet < 1.5 * usual
        off = self._off(self.settings.outlet, low.outlet) + self._off(self.settings.inlet or "", low.inlet)
        if not ran and low.outlet <= low.inlet + off:
            return state, ()  # a day off: water that stands on both sides tells nothing
        litres = state.counter.litres
        if ran and litres <= state.lows_l:
            litres += use_l_d(state.counter) or front.BIN_L
            state = replace(state, counter=replace(state.counter, litres=litres))
        state = replace(state, lows_l=litres)
        if ran:
            done = front.Bin(litres, low.outlet, low.inlet)
            judged = front.judged(state.front, done, now_ms, self._probe(low.outlet))
            state = replace(state, front=judged)
        pair = discharge.Pair(now_ms, litres, low.outlet, low.inlet, off, False, "lows")
        state = replace(
            state,
            discharge=discharge.judged(state.discharge, pair, at_once=True),
            outlet=Latest(low.outlet, now_ms),
            inlet=Latest(low.inlet, now_ms),
        )
        return self._told(state, now_ms)

    def _probe(self, level: float) -> front.Probe:
        probe = self._ec[self.settings.outlet]
        return front.Probe(probe.digit_us_cm, probe.off_us_cm(level), self._resin_l, self._bed.limit_us_cm)

    def _off(self, name: str, us_cm: float) -> float:
        return self._ec[name].off_us_cm(us_cm)

    # ------------------------------------------------------------ what is told

    def _due(self, state: State, now_ms: int) -> tuple[State, Left | None]:
        """How long the bed lasts, and whether it may end within the days of warning."""
        if not self._bed.counts_litres:
            return state, None
        known = load.forecast(state.load, self._chemistry, self._resin_l, self._capacity)
        remaining = left(state, known)
        days = None if remaining is None else remaining.days_to_warn_by
        allowed = self.settings.warn_days * (_LET_GO if state.due else 1.0)
        news = days is not None and (days <= allowed) != state.due
        # once the front is seen, that a bed may end soon is no news
        if not news or (state.front.holds and not state.due):
            return state, remaining
        return replace(state, due=not state.due, due_since_ms=now_ms), remaining

    def _told(self, state: State, now_ms: int) -> tuple[State, tuple[Finding, ...]]:
        state, remaining = self._due(state, now_ms)
        return state, tuple(
            self._finding(state, remaining, condition, now_ms)
            for condition in self.settings.watch_for
            if condition != "discharge" or self.settings.inlet is not None
        )

    def explain(self, state: State, now: Moment) -> Figures:
        return figures(state, self.settings.id, self.settings.watch_for, now)

    def _finding(self, state: State, remaining: Left | None, condition: Condition, now_ms: int) -> Finding:
        holds, since_ms, confidence = self._verdict(state, remaining, condition)
        return Finding(
            condition=f"{self.settings.id}/{condition}",
            subject=self.settings.outlet,
            holds=holds,
            time_ms=now_ms,
            since_ms=since_ms or now_ms,
            confidence=confidence,
            evidence=evidence(state, self._bed, remaining, condition),
            # A forecast is made of litres; an outlet over its range is evidence, whatever its meter has.
            rests_on=() if condition == "forecast" or (state.outlet and state.outlet.least) else None,
        )

    def _verdict(self, state: State, remaining: Left | None, condition: Condition) -> tuple[bool, int, float]:
        """Whether a condition holds, since when, and how sure that is."""
        if condition == "forecast":
            dated = remaining is not None and remaining.forecast.total_l is not None
            return state.due, state.due_since_ms, 0.8 if dated else 0.6
        if condition == "front":
            seen = state.front
            times = seen.excess / max(seen.margin, 1e-9) - 1.0
            sure = 0.7 + 0.29 * min(max(times, 0.0), 1.0) if seen.holds else 0.9
            return seen.holds, seen.since_ms, round(sure, 3)
        above = state.discharge
        return above.holds, above.since_ms, above.confidence if above.holds else 0.9


def _roles(settings: Settings, plant: Plant) -> dict[str, str]:
    """Each channel with what it is to the rule.

    Raises: ValueError naming a key whose channel is not there, is of another quantity or stands twice.
    """
    wanted: dict[str, tuple[str, ...]] = dict.fromkeys(("outlet", "inlet", "tap"), READ_AS_EC)
    wanted |= {"flow": ("flow",), "running": ("contact",)}
    roles: dict[str, str] = {}
    for key, quantities in wanted.items():
        name = getattr(settings, key)
        if name is None:
            continue
        found = plant.channels[plant_channel(plant, name, key)].quantity
        if found not in quantities:
            raise ValueError(f'{key} = "{name}" measures {found}; {" or ".join(quantities)} is needed')
        if name in roles:
            raise ValueError(
                f'{key} = "{name}" is already {roles[name]}; leave one out or give another channel'
            )
        roles[name] = key
    return roles


def _resin_l(settings: Settings, plant: Plant) -> float:
    """Litres of resin: the rule's own, else those of the stage whose outlet it watches."""
    point = plant.point_of(settings.outlet)
    bed = next((s for s in plant.stage if point is not None and s.id == point.after), None)
    resin = settings.resin or (None if bed is None else bed.resin)
    if resin is None:
        raise ValueError(
            'resin: the litres of resin in the bed are needed, here or in its stage, like "20 L"'
        )
    return resin.canonical("volume")


def _chemistry(settings: Settings, plant: Plant) -> load.Chemistry:
    """Carbon dioxide from alkalinity and pH: the rule's own, else those of the tap."""
    alkalinity, ph, silica = settings.alkalinity, settings.ph, settings.silica
    if alkalinity is None:
        tap = next((s for s in plant.stage if s.kind == "tap"), None)
        alkalinity, ph = (None, None) if tap is None else (tap.alkalinity, tap.ph)
    return load.chemistry(
        None if alkalinity is None else alkalinity.in_unit("mg/L"),
        ph,
        0.0 if silica is None else silica.in_unit("mg/L"),
    )


def _bed(settings: Settings, plant: Plant, co2_known: bool) -> Bed:
    point, inlet = plant.point_of(settings.outlet), settings.inlet
    where = plant.place_of(settings.outlet)
    stage = "" if point is None else point.after
    return Bed(
        where=where,
        bed=next((s.label for s in plant.stage if s.id == stage), where),
        stage=stage_kind_at(plant, settings.outlet) or "di",
        feed_where="" if inlet is None else plant.place_of(inlet),
        from_tap=inlet is not None and stage_kind_at(plant, inlet) == "tap",
        limit_us_cm=None if settings.limit is None else settings.limit.canonical("conductivity"),
        warn_days=settings.warn_days,
        counts_litres=settings.flow is not None or settings.rated_flow is not None,
        co2_known=co2_known,
    )


def build(settings: Settings, plant: Plant) -> Breakthrough:
    """The rule for this plant.

    Raises: ValueError naming the key that does not fit the plant and what would.
    """
    return Breakthrough(settings, plant)
