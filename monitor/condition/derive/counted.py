"""Kinds that sum up: litres, a bed's load, running hours; and the flow a counter counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from monitor.condition.conditioner import trusted_for_ms
from monitor.condition.derive.kind import EITHER_WAY, UP, Value
from monitor.condition.derive.salt import ec25_of
from monitor.condition.derive.tally import HOUR_MS, Tally, begun_anew, of_tally, resumed, stepped
from monitor.frozen import replace
from monitor.plant.derived import CountedFlow, DiLoad, Litres, RunTime
from monitor.plant.derived.counted import Since, Water
from monitor.plant.model import Plant
from monitor.readings import Bound, Level, OperatorAction, Reading, Reason, Standing
from monitor.water.carbonate import co2_from_alkalinity_mg_l, ionic_strength_from_ec_mol_l
from monitor.water.resin import PERMEATE_US_CM_PER_MG_L, load_from_conductivity_meq_l

# A value holds for so long at most; a slower channel's holds for three of its intervals.
_HOLDS_MS = 600_000
_MINUTE_MS = 60_000
# As the rule on a bed reckons: of stronger water the formula is not asked, and this much is near enough to
# tell the ionic strength of a tap water by.
_MOST_US_CM, _TYPICAL_TAP_US_CM = 1000.0, 500.0


@dataclass(frozen=True, slots=True)
class _Source:
    """Where litres come from, and what came between two of its values."""

    channel: str
    counts: bool  # a counter: the litres that came are its difference
    per_minute: float  # litres a minute for each unit of its value
    holds_ms: int

    @classmethod
    def of(cls, settings: Water, plant: Plant) -> _Source:
        if settings.counter is not None:
            must_count(plant, settings.counter)
            return cls(settings.counter, True, 0.0, 0)
        channel = settings.flow or settings.running
        assert channel is not None
        rated = 1.0 if settings.rated_flow is None else settings.rated_flow.canonical("flow")
        return cls(channel, False, rated, max(_HOLDS_MS, trusted_for_ms(plant, channel)))

    def came(self, tally: Tally, reading: Reading) -> tuple[float, int]:
        """Litres since the tally's last value, and how much of the time they are known of."""
        gone_ms = max(0, reading.time_ms - tally.last_ms)
        if self.counts:
            broken = reading.reasons & Reason.COUNT_BROKEN
            return max(0.0, reading.value - tally.last), 0 if broken else gone_ms
        known_ms = min(gone_ms, self.holds_ms)
        return max(0.0, tally.last) * self.per_minute * known_ms / _MINUTE_MS, known_ms


def must_count(plant: Plant, channel: str) -> None:
    """Raises: ValueError where a volume is no counter's: it may fall, and what it lost is not known."""
    if plant.channels[channel].counter is None and channel not in plant.computed:
        raise ValueError(
            f'counter = "{channel}" has no counter; give that channel one, like counter = {{}}: only then do '
            "its litres go on over roll-over and reset"
        )


class _Since:
    """The event a count begins anew with, where it has one."""

    remembers: ClassVar[bool] = True

    def __init__(self, settings: Since) -> None:
        self._event, self._target = settings.since, settings.since_target

    def begins_anew(self, event: OperatorAction) -> bool:
        return self._event is not None and (event.event, event.target) == (self._event, self._target)


class _Tallied(_Since):
    """A kind whose memory is a tally of its one input."""

    directions: Mapping[str, int]

    def on_event(self, memory: Tally, event: OperatorAction) -> Tally:
        return begun_anew(memory, event) if self.begins_anew(event) else memory

    def resumed(self, last: Reading, inputs: Mapping[str, Reading]) -> Tally:
        return resumed(last, inputs.get(next(iter(self.directions))))

    def value(self, memory: Tally, inputs: Mapping[str, Reading]) -> Value | None:
        return of_tally(memory, awaits_event=self._event is not None)


def _says_something(reading: Reading) -> bool:
    """Over range is at least so much; what is bad otherwise is no value."""
    return reading.level != Level.BAD or reading.bound == Bound.AT_LEAST


class LitresKind(_Tallied):
    """Litres that have run."""

    def __init__(self, settings: Litres, plant: Plant) -> None:
        super().__init__(settings)
        self._source = _Source.of(settings, plant)
        self._before = None if settings.before is None else settings.before.canonical("volume")
        self.directions: Mapping[str, int] = {self._source.channel: UP}

    def start(self) -> Tally:
        return Tally(total=self._before or 0.0)

    def on_reading(self, memory: Tally, reading: Reading) -> Tally:
        if not _says_something(reading):
            return memory
        litres, known_ms = self._source.came(memory, reading)
        return stepped(memory, reading.time_ms, reading.value, litres, known_ms)

    def value(self, memory: Tally, inputs: Mapping[str, Reading]) -> Value | None:
        awaits = self._event is not None and self._before is None
        return of_tally(memory, awaits_event=awaits)


@dataclass(frozen=True, slots=True)
class LoadTally:
    """Equivalents, and the inlet that the litres are loaded with."""

    tally: Tally = Tally()
    inlet_us_cm: float | None = None
    inlet_ms: int = 0
    waiting_l: float = 0.0  # litres from before the inlet was known

    version = 1


class DiLoadKind(_Since):
    """Equivalents of anions that a bed has taken up: what conductivity shows, CO2 and silica."""

    def __init__(self, settings: DiLoad, plant: Plant) -> None:
        super().__init__(settings)
        self._source = _Source.of(settings, plant)
        self._inlet, self._ec25 = settings.inlet, ec25_of(plant, settings.inlet, "inlet")
        self._inlet_holds_ms = max(_HOLDS_MS, trusted_for_ms(plant, settings.inlet))
        self._co2_mg_l = _co2_mg_l(settings, plant)
        self._silica_mg_l = 0.0 if settings.silica is None else settings.silica.in_unit("mg/L")
        self.directions: Mapping[str, int] = {self._source.channel: UP, self._inlet: UP}

    def start(self) -> LoadTally:
        return LoadTally()

    def load_meq_l(self, inlet_us_cm: float) -> float:
        """Anions in a litre of the bed's feed."""
        return load_from_conductivity_meq_l(
            min(inlet_us_cm, _MOST_US_CM), self._co2_mg_l, self._silica_mg_l, PERMEATE_US_CM_PER_MG_L
        )

    def on_reading(self, memory: LoadTally, reading: Reading) -> LoadTally:
        if not _says_something(reading):
            return memory
        if reading.channel == self._inlet:
            if reading.standing != Standing.JUDGED:  # standing water is not what is being loaded
                return memory
            us_cm, tally = self._ec25(reading.value), memory.tally
            if memory.waiting_l:
                waited = memory.waiting_l * self.load_meq_l(us_cm) / 1000.0
                tally = replace(tally, total=tally.total + waited)
            return LoadTally(tally, us_cm, reading.time_ms)
        tally = memory.tally
        litres, known_ms = self._source.came(tally, reading)
        if memory.inlet_us_cm is None or reading.time_ms - memory.inlet_ms > self._inlet_holds_ms:
            # Standing water is no gap: there is nothing to load.
            known_ms = 0 if litres else known_ms
        if memory.inlet_us_cm is None:
            waiting_l = memory.waiting_l + litres
            return replace(
                memory,
                tally=stepped(tally, reading.time_ms, reading.value, 0.0, known_ms),
                waiting_l=waiting_l,
            )
        equivalents = litres * self.load_meq_l(memory.inlet_us_cm) / 1000.0
        return replace(memory, tally=stepped(tally, reading.time_ms, reading.value, equivalents, known_ms))

    def on_event(self, memory: LoadTally, event: OperatorAction) -> LoadTally:
        tally = begun_anew(memory.tally, event) if self.begins_anew(event) else memory.tally
        return memory if tally is memory.tally else replace(memory, tally=tally, waiting_l=0.0)

    def resumed(self, last: Reading, inputs: Mapping[str, Reading]) -> LoadTally:
        memory = LoadTally(resumed(last, inputs.get(self._source.channel)))
        inlet = inputs.get(self._inlet)
        return memory if inlet is None else self.on_reading(memory, inlet)

    def value(self, memory: LoadTally, inputs: Mapping[str, Reading]) -> Value | None:
        return of_tally(memory.tally, awaits_event=self._event is not None)


def _co2_mg_l(settings: DiLoad, plant: Plant) -> float:
    """Carbon dioxide of the feed water, by its own keys or the tap's; a reverse osmosis lets it through."""
    alkalinity, ph = settings.alkalinity, settings.ph
    if alkalinity is None:
        tap = next((stage for stage in plant.stage if stage.kind == "tap"), None)
        alkalinity, ph = (None, None) if tap is None else (tap.alkalinity, tap.ph)
    if alkalinity is None or ph is None:
        raise ValueError(
            "alkalinity: alkalinity and ph are needed, here or in the tap's stage: the CO2 that they give is "
            "most of the load behind a reverse osmosis, and no conductivity shows it"
        )
    strength = ionic_strength_from_ec_mol_l(_TYPICAL_TAP_US_CM)
    try:
        return co2_from_alkalinity_mg_l(alkalinity.in_unit("mg/L"), ph, ionic_strength_mol_l=strength)
    except ValueError as error:
        raise ValueError(f"ph: {error}") from error


class RunTimeKind(_Tallied):
    """Hours a contact was 1, ever or since an event."""

    def __init__(self, settings: RunTime, plant: Plant) -> None:
        super().__init__(settings)
        self._holds_ms = max(_HOLDS_MS, trusted_for_ms(plant, settings.running))
        self.directions: Mapping[str, int] = {settings.running: UP}

    def start(self) -> Tally:
        return Tally()

    def on_reading(self, memory: Tally, reading: Reading) -> Tally:
        if not _says_something(reading):
            return memory
        known_ms = min(max(0, reading.time_ms - memory.last_ms), self._holds_ms)
        hours = known_ms / HOUR_MS if memory.last > 0.5 else 0.0
        return stepped(memory, reading.time_ms, reading.value, hours, known_ms)


@dataclass(frozen=True, slots=True)
class FlowMemory:
    """Where the counter stood, when it moved, and the flow that told."""

    litres: float | None = None
    time_ms: int = 0
    moved_ms: int = 0
    measured_l_min: float = 0.0  # when it moved last; 0 at rest
    flow_l_min: float = 0.0
    reasons: int = 0

    version = 1


class CountedFlowKind:
    """Litres counted from one move of the counter to the next, over the time between them.

    A coarse counter stands still for several readings while water runs: the flow holds until two steps were
    due and none came. So the flow of a fine counter ends with the first reading that shows no more, and that
    of a pulse of 10 L at 5 L/min after four minutes.
    """

    remembers: ClassVar[bool] = True

    def __init__(self, settings: CountedFlow, plant: Plant) -> None:
        must_count(plant, settings.counter)
        self._step_l = plant.channels[settings.counter].canonical_resolution
        self._gap_ms = trusted_for_ms(plant, settings.counter)
        self.directions: Mapping[str, int] = {settings.counter: EITHER_WAY}

    def start(self) -> FlowMemory:
        return FlowMemory()

    def on_event(self, memory: FlowMemory, event: OperatorAction) -> FlowMemory:
        return memory

    def resumed(self, last: Reading, inputs: Mapping[str, Reading]) -> FlowMemory:
        counter = next(iter(inputs.values()), None)
        if counter is None:
            return FlowMemory()
        return FlowMemory(counter.value, counter.time_ms, counter.time_ms, last.value, last.value)

    def on_reading(self, memory: FlowMemory, reading: Reading) -> FlowMemory:
        now_ms, litres = reading.time_ms, reading.value
        if reading.level == Level.BAD:
            return memory
        if memory.litres is None or now_ms <= memory.time_ms:
            return FlowMemory(litres, now_ms, now_ms, reasons=int(Reason.INPUT_UNCERTAIN))
        added = max(0.0, litres - memory.litres)
        if not added:
            return self._stands(memory, now_ms)
        resting = memory.measured_l_min == 0.0
        since_ms = memory.time_ms if resting else memory.moved_ms
        # From rest one step says little: it may have been nearly full before. After a gap it is an average.
        doubtful = (resting and added <= self._step_l) or now_ms - memory.time_ms > self._gap_ms
        flow = added * _MINUTE_MS / (now_ms - since_ms)
        return FlowMemory(litres, now_ms, now_ms, flow, flow, int(Reason.INPUT_UNCERTAIN) if doubtful else 0)

    def _stands(self, memory: FlowMemory, now_ms: int) -> FlowMemory:
        still_ms = now_ms - memory.moved_ms
        measured = memory.measured_l_min
        if measured == 0.0 or still_ms > 2.0 * self._step_l / measured * _MINUTE_MS:
            return FlowMemory(memory.litres, now_ms, memory.moved_ms)
        # No step since then, so it flows no faster than one step in that time.
        flow = min(measured, self._step_l * _MINUTE_MS / still_ms)
        return replace(memory, time_ms=now_ms, flow_l_min=flow)

    def value(self, memory: FlowMemory, inputs: Mapping[str, Reading]) -> Value | None:
        return Value(memory.flow_l_min, Reason(memory.reasons))
