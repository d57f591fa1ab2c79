"""Rule `membrane`: does the membrane give as much water, at as little pressure lost, as when it was young?

Normalised permeate flow, salt passage and pressure drop, one value a working day, held against what was usual
when the membrane was young. A change is *told* when a CUSUM, calibrated for the scatter and the memory of
this channel's own days, says it is none of chance, and it has reached what is a cleaning's occasion in the
trade. The pattern of the three says what it may be. After a logged cleaning: did it bring the membrane back?
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import Evidence, Finding, OperatorAction, Reading, Reason, Tick
from monitor.rules.course import Doubt
from monitor.rules.membrane.days import (
    SETTLING_DAYS,
    Track,
    begun_anew,
    change_before,
    change_since,
    cleaned,
    heard,
    turned,
)
from monitor.rules.membrane.settings import Settings
from monitor.rules.membrane.verdict import (
    NAMES,
    WORSE,
    Measured,
    Told,
    Verdict,
    confidence,
    evidence_of,
    judge,
    since_of,
)
from monitor.rules.rule import plant_channel
from monitor.rules.starts import Starts, seen
from monitor.rules.starts import evidence_of as evidence_of_starts

_DAY_MS = 86_400_000
# A temperature says something of a value for so long.
_TOGETHER_MS = 15 * 60_000
# What temperature may do without the membrane, as a share a degree from the reference. Flow and passage: the
# spread of printed corrections (docs/science/treatment.md). Drop: viscosity, 2.5 % a degree, to the power of
# about 0.3 that spacers are printed with (from memory).
_A_DEGREE: Mapping[str, float] = {"flow": 0.010, "passage": 0.010, "drop": 0.008}
# Between the seasons where no thermometer tells: twelve degrees.
_SEASON_C = 12.0
# A flow that is not corrected for pressure follows the pump, too, and the mains before it (own choice).
_NO_PRESSURE = 0.03
_KINDS = {
    "flow": "normalised-flow",
    "passage": "normalised-salt-passage",
    "drop": "normalised-pressure-drop",
}
_GUESSED = Reason.GATE_UNKNOWN | Reason.BY_TIME | Reason.AFTERWARDS


@dataclass(frozen=True, slots=True)
class Cleaning:
    """The last cleaning, what it was done for, and whether it brought the membrane back."""

    day: int = 0
    before: Mapping[str, float] = field(default_factory=dict)  # change of each when it was done, as a share
    after: Mapping[str, float] = field(default_factory=dict)
    restored: bool | None = None  # None while that is not known


@dataclass(frozen=True, slots=True)
class State:
    """The three courses, the starts, and the last cleaning."""

    basis: str = ""  # the channels all this was learned of
    begun: int = 0  # first day that counts for this membrane
    warm_c: float | None = None
    warm_ms: int = 0
    tracks: Mapping[str, Track] = field(default_factory=dict)
    cleaning: Cleaning = field(default_factory=Cleaning)
    told: Told = field(default_factory=Told)
    starts: Starts = field(default_factory=Starts)
    starts_told_ms: int = 0

    version = 1


class Membrane:
    """One configured watch over a membrane."""

    kind = "membrane"
    remembers_days = 400  # what was usual when the membrane was young cannot be learned later

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._zone = ZoneInfo(plant.site.timezone)
        self.measured = {one.name: one for one in _measured(settings, plant)}
        self._name_of = {one.channel: one.name for one in self.measured.values()}
        self._pause_ms = {one.channel: 3 * plant.interval_of(one.channel) for one in self.measured.values()}
        self._temperature = _temperature(settings, plant)
        # Rule creep tells a rise of salt passage by itself; while it is told here, once is enough.
        self._matters = tuple(f"membrane of {name}" for name in sorted(_permeates(settings, plant)))
        self.rests_on = frozenset(self._name_of)
        self._most_drop = None if settings.most_drop is None else settings.most_drop.canonical("pressure")
        running = () if settings.running is None else (plant_channel(plant, settings.running, "running"),)
        warm = () if self._temperature is None else (self._temperature,)
        self.channels = frozenset({*self._name_of, *warm, *running})
        first = next(iter([*self._name_of, *running]))
        self._where = plant.place_of(first)
        self.stage = _stage(settings, plant, first)
        self._basis = "|".join(sorted(self._name_of))

    def start(self) -> State:
        return State(basis=self._basis, tracks={name: Track() for name in self.measured})

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        return state, ()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if state.basis != self._basis:
            state = self.start()
        if not reading.usable or reading.reasons & Reason.JUMP:
            return state, ()
        if reading.channel == self.settings.running:
            return self._on_contact(state, reading)
        if reading.channel == self._temperature:
            return replace(state, warm_c=reading.value, warm_ms=reading.time_ms), ()
        name, day = self._name_of[reading.channel], self._day_of(reading.time_ms)
        one, track = self.measured[name], state.tracks[name]
        begun = state.begun or day
        before = track
        coarse = 0.29 * one.resolution / abs(reading.value) if reading.value else 0.0
        track = turned(track, day, begun, self._learn_days, one.doubt, coarse)
        warm = state.warm_c if reading.time_ms - state.warm_ms <= _TOGETHER_MS else None
        sure = not reading.reasons & _GUESSED
        pause_ms = self._pause_ms[reading.channel]
        track, block = heard(track, reading.time_ms, day, reading.value, warm, sure, pause_ms)
        state = replace(state, begun=begun, tracks={**state.tracks, name: track})
        if not block and track.days is before.days:
            return state, ()
        return self._judged(state, reading.time_ms)

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        """A change of the membrane begins everything anew; a cleaning is judged by the days after it."""
        if action.target != self.stage or action.event not in (self.settings.changed, self.settings.cleaned):
            return state, ()
        if state.basis != self._basis:
            state = self.start()
        on = self._day_of(action.time_ms)
        if action.event == self.settings.changed:
            begun = on + SETTLING_DAYS
            tracks = {name: begun_anew(track, begun) for name, track in state.tracks.items()}
            state = replace(state, begun=begun, tracks=tracks, cleaning=Cleaning(), told=Told())
        else:
            changes = {
                name: change
                for name, track in state.tracks.items()
                if (change := change_before(track, on)) is not None
            }
            learned = any(track.reference is not None for track in state.tracks.values())
            tracks = {
                name: cleaned(track, on, self.measured[name].doubt) for name, track in state.tracks.items()
            }
            begun = state.begun if learned else on + 1
            cleaning = Cleaning(day=on, before=changes) if learned else Cleaning()
            state = replace(state, begun=begun, tracks=tracks, cleaning=cleaning, told=Told())
        return self._judged(state, action.told_ms or action.time_ms)

    @property
    def _learn_days(self) -> int:
        return self.settings.learn // _DAY_MS

    def _day_of(self, time_ms: int) -> int:
        return datetime.fromtimestamp(time_ms / 1000, self._zone).date().toordinal()

    def _verdict(self, state: State) -> Verdict:
        return judge(self.measured, state.tracks, state.told, self._most_drop)

    def _judged(self, state: State, now_ms: int) -> tuple[State, tuple[Finding, ...]]:
        """What the days say now; nothing before the first full hour."""
        if not state.tracks or not any(t.days or t.today.blocks for t in state.tracks.values()):
            return state, ()
        verdict = self._verdict(state)
        state = replace(state, cleaning=self._after_cleaning(state))
        cleaning = state.cleaning
        failed = cleaning.restored is False
        # After a cleaning the few days that judge it speak, then what they say of it: one voice.
        waits = cleaning.day > 0 and cleaning.restored is None and not verdict.impossible
        clean = verdict.clean and not failed and not waits
        check = "" if failed or waits else verdict.check
        state = replace(state, told=Told(clean, check), tracks=_told(state.tracks, verdict))
        evidence = self._evidence(state, verdict)
        since = since_of(verdict)
        since_ms = self._midnight(since) if since else now_ms
        channel = next((self.measured[name].channel for name in verdict.over), next(iter(self._name_of)))
        sure = confidence(verdict)
        found = (
            Finding(
                self.settings.id,
                channel,
                clean,
                now_ms,
                min(since_ms, now_ms),
                sure,
                evidence,
                speaks_for=self._matters,
            ),
            Finding(
                f"{self.settings.id}/replace",
                channel,
                failed,
                now_ms,
                min(self._midnight(cleaning.day), now_ms) if failed else now_ms,
                0.85,
                evidence | {"check": "replace"},
                speaks_for=self._matters,
            ),
            Finding(
                f"{self.settings.id}/check",
                verdict.suspect or channel,
                bool(check),
                now_ms,
                now_ms,
                0.7,
                evidence | {"check": verdict.check},
            ),
        )
        return state, found

    def _after_cleaning(self, state: State) -> Cleaning:
        """Judged once, when there are enough days after it; that it failed stands until the next work."""
        cleaning = state.cleaning
        if not cleaning.day or cleaning.restored is not None:
            return cleaning
        after = {name: change_since(track, cleaning.day) for name, track in state.tracks.items()}
        known = {name: change for name, change in after.items() if change is not None}
        learned = [name for name, track in state.tracks.items() if track.reference is not None]
        if not learned or any(name not in known for name in learned):
            return cleaning
        bad = [
            name
            for name, change in known.items()
            if self.measured[name].told and WORSE[name] * change >= self.measured[name].threshold
        ]
        return replace(cleaning, after=known, restored=not bad)

    def _midnight(self, day: int) -> int:
        return int(datetime.combine(date.fromordinal(day), time(), self._zone).timestamp() * 1000)

    def _evidence(self, state: State, verdict: Verdict) -> dict[str, Any]:
        cleaning = state.cleaning
        young = any(track.reference is None for track in state.tracks.values())
        until = date.fromordinal(state.begun + self._learn_days).isoformat() if young else None
        return {
            "where": self._where,
            "stage": "ro",
            **evidence_of(self.measured, state.tracks, verdict),
            "young_until": until,
            "cleaned_on": date.fromordinal(cleaning.day).isoformat() if cleaning.day else None,
            "before_cleaning_pct": {name: 100.0 * c for name, c in cleaning.before.items()},
            "after_cleaning_pct": {name: 100.0 * c for name, c in cleaning.after.items()},
            "by_pressure": not self.measured["flow"].doubt.always if "flow" in self.measured else None,
        }

    def _on_contact(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        if "starts" not in self.settings.watch_for:
            return state, ()
        before = state.starts
        starts = seen(before, reading.time_ms, reading.value > 0.5, self._day_of(reading.time_ms))
        state = replace(state, starts=starts)
        if starts.told == before.told and reading.time_ms - state.starts_told_ms < 10 * 60_000:
            return state, ()
        evidence: Evidence = {
            "where": self._where,
            "stage": "ro",
            "check": "starts",
            **evidence_of_starts(starts),
        }
        finding = Finding(
            f"{self.settings.id}/short-cycling",
            reading.channel,
            starts.told,
            reading.time_ms,
            reading.time_ms,
            0.9 if starts.learned else 0.75,
            evidence,
        )
        return replace(state, starts_told_ms=reading.time_ms), (finding,)


def _told(tracks: Mapping[str, Track], verdict: Verdict) -> Mapping[str, Track]:
    """The tracks with the directions just told."""
    ways = {name: 0 if (found := verdict.courses[name]) is None else found.direction for name in tracks}
    if all(track.told == ways[name] for name, track in tracks.items()):
        return tracks
    return {name: replace(track, told=ways[name]) for name, track in tracks.items()}


def build(settings: Settings, plant: Plant) -> Membrane:
    """The rule for this plant.

    Raises: ValueError naming the key that does not fit the plant and what would.
    """
    return Membrane(settings, plant)


def _measured(settings: Settings, plant: Plant) -> list[Measured]:
    found: list[Measured] = []
    thresholds = {
        "flow": settings.flow_loss,
        "passage": settings.passage_rise,
        "drop": settings.drop_rise,
    }
    for name in NAMES:
        channel = getattr(settings, name)
        if channel is None:
            continue
        computed = plant.computed.get(plant_channel(plant, channel, name))
        normalised = getattr(computed, "kind", "") == _KINDS[name]
        if not normalised and name != "drop":
            raise ValueError(
                f'{name} = "{channel}" is not normalised, so a cold week would look like a membrane; name a '
                f"derived channel of kind {_KINDS[name]}"
            )
        found.append(
            Measured(
                name=name,
                channel=channel,
                what=plant.span_words(channel),
                quantity=plant.channels[channel].quantity,
                threshold=thresholds[name].in_unit("1"),
                told=name in settings.watch_for,
                doubt=_doubt(name, computed, normalised),
                resolution=_resolution(plant, channel, computed, name),
                start=_start(computed, name),
            )
        )
    return found


def _doubt(name: str, computed: Any, normalised: bool) -> Doubt:
    always = 0.0
    if name == "flow" and "feed_pressure" not in computed.inputs:
        always = _NO_PRESSURE
    if name == "drop" and not normalised:
        always = 2.0 * _NO_PRESSURE  # it grows with the flow to a power of 1.5 to 2
    return Doubt(_A_DEGREE[name], _SEASON_C * _A_DEGREE[name], always)


def _start(computed: Any, name: str) -> float | None:
    if name == "flow":
        start: float = computed.reference.permeate_flow.canonical("flow")
        return start
    return None


def _resolution(plant: Plant, channel: str, computed: Any, name: str) -> float:
    """The last digit of the instrument that is normalised; that of a quotient is not known."""
    of = {"flow": "permeate_flow", "drop": "pressure_drop"}.get(name)
    if of is None:
        return 0.0
    raw = channel if computed is None else computed.inputs.get(of, channel)
    return plant.channels[raw].canonical_resolution


def _temperature(settings: Settings, plant: Plant) -> str | None:
    for name in (settings.flow, settings.passage):
        if name is not None:
            warm: str | None = plant.computed[name].inputs.get("temperature")
            return warm
    return None


def _permeates(settings: Settings, plant: Plant) -> frozenset[str]:
    named = [
        plant.computed[name].inputs.get("permeate") for name in (settings.flow, settings.passage) if name
    ]
    return frozenset(name for name in named if name is not None)


def _stage(settings: Settings, plant: Plant, channel: str) -> str:
    """The RO that events are logged for."""
    if settings.stage is not None:
        return settings.stage
    point = plant.point_of(channel)
    kinds = {stage.id: stage.kind for stage in plant.stage}
    if point is not None and kinds.get(point.after) == "ro":
        return point.after
    units = [stage.id for stage in plant.stage if stage.kind == "ro"]
    if len(units) == 1:
        return units[0]
    raise ValueError(
        "stage: which RO is it? The channels stand behind none, and the site has "
        f"{len(units)}; name the [[stage]] that its cleanings are logged for"
    )
