"""The rule `softener` itself: readings, events and ticks into findings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from monitor.frozen import replace
from monitor.plant.model import Plant, Stage
from monitor.readings import Evidence, Finding, Level, OperatorAction, Reading, Tick
from monitor.rules.counted import counts_on, is_behind, litres_at, on_litres, share_of, use_l_d
from monitor.rules.rule import plant_channel
from monitor.rules.softener.capacity import between, longest_by_habit_l, sheet
from monitor.rules.softener.salt import Block, learned, looked_at, on_height
from monitor.rules.softener.settings import Condition, Settings
from monitor.rules.softener.state import (
    DAY_MS,
    HOUR_MS,
    Filled,
    Regenerated,
    State,
    by_days,
    on_contact,
    on_flow,
    other_hour,
)
from monitor.rules.tested import evidence_of, on_test, overdue_ms
from monitor.water.carbonate import CACO3_MG_EQ

__all__ = ["Settings", "Softener", "State", "build"]

REGENERATION: Final = "regeneration"
SALT: Final = "salt"
_JUDGED_EVERY_MS = HOUR_MS
# A channel that speaks less often is read by a person.
_BY_EYE_MS = 6 * HOUR_MS
# A contact that has not spoken for so long tells nothing of regenerations.
_CONTACT_HEARD_MS = DAY_MS
# A timer's regeneration is late when it is half a period overdue; salt was not logged when half as many
# litres again have run as ever between two fills (own choice).
_LATE_TIMER, _LATE_FILL = 1.5, 1.5
_LEAST_FILLS, _FILLS_KEPT = 4, 8
# Without a habit yet, litres at the mean use of salt, times what the longest cycle may be longer (own
# choice).
_LONGEST_BY_SALT = 1.3
_EMPTY_OF_DOSE = 0.25


@dataclass(frozen=True, slots=True)
class _Late:
    """A regeneration that should have come."""

    holds: bool
    since_ms: int
    how: str  # "contact", "timer", "log"
    why: str  # "habit", "capacity", "time"
    litres: float | None
    longest_l: float | None
    confidence: float


class Softener:
    """One configured watch over a softener."""

    kind = "softener"
    remembers_days = 120  # a dozen cycles, and fills of salt

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._stage = _softener(plant, settings.stage)
        self._zone = ZoneInfo(plant.site.timezone)
        for key in ("hardness", "feed_hardness", "regenerating", "salt", "normalised_flow"):
            if (name := getattr(settings, key)) is not None:
                plant_channel(plant, name, key)
        self._share = 1.0
        if settings.litres is not None:
            counts_on(plant, settings.litres, "litres")
            self._share = share_of(plant, settings.litres, settings.stage)
        self._sheet = sheet(settings, plant, self._stage)
        self._kg_of_salt, self._least_kg = self._weighing(plant)
        self._salt_by_eye = settings.salt is not None and plant.interval_of(settings.salt) >= _BY_EYE_MS
        self._rests_on = self._rests(plant)
        self.rests_on = frozenset().union(*self._rests_on.values())
        named = ("hardness", "feed_hardness", "litres", "regenerating", "salt", "normalised_flow")
        self.channels = frozenset(name for key in named if (name := getattr(settings, key)) is not None)
        if not self.channels:
            raise ValueError(
                "hardness: nothing to judge by; name the channel of a hardness test, or litres with "
                "regenerating or salt"
            )
        behind = (one for one in plant.stage if one.kind == "ro" and is_behind(plant, one, settings.stage))
        self._ro = next((one.label for one in behind), "")

    def _rests(self, plant: Plant) -> dict[Condition, tuple[str, ...]]:
        """The channels each condition is made of. Those read by hand are left out: a test that nobody repeats
        stays what it was."""
        keys = self.settings
        made_of: dict[Condition, str | None] = {
            "hardness": keys.hardness,
            "regeneration": keys.regenerating,
            "salt": keys.salt,
            "timer": keys.regenerating,
            "overdue": None,
        }
        return {
            part: () if name is None or plant.interval_of(name) >= _BY_EYE_MS else (name,)
            for part, name in made_of.items()
        }

    def _weighing(self, plant: Plant) -> tuple[float, float]:
        """Kilograms for each canonical unit of the salt channel, and what a height is off at least."""
        name = self.settings.salt
        if name is None:
            return 0.0, 0.0
        if self._sheet.dose_kg is None:
            raise ValueError(
                f'salt = "{name}": how much a regeneration takes is not known; give the [[stage]] '
                f'"{self._stage.id}" its salt, like salt = "3 kg"'
            )
        channel, surface = plant.channels[name], self.settings.salt_surface
        per_litre = self.settings.salt_density.in_unit("kg/L")
        if channel.quantity == "level" and surface is None:
            raise ValueError(
                f'salt = "{name}" is a height: give salt_surface, the cross-section of the brine tank, like '
                '"0.16 m2" for a round one of 45 cm'
            )
        # A millimetre on a square metre is a litre.
        kg = (
            per_litre
            if surface is None or channel.quantity == "volume"
            else per_litre * surface.in_unit("m**2")
        )
        full = channel.canonical_range[1]
        off = channel.accuracy.at(full, channel.quantity, full) / 2.0  # an accuracy is two deviations
        return kg, kg * max(off, 0.29 * channel.canonical_resolution)

    def start(self) -> State:
        return State()

    # ------------------------------------------------------------ what comes in

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        keys, name = self.settings, reading.channel
        if not state.listening_ms:
            state = replace(state, listening_ms=reading.time_ms)
        if name == keys.litres:
            return replace(state, counted=on_litres(state.counted, reading, self._share)), ()
        if reading.again or reading.level == Level.BAD or not reading.ordered:
            return state, ()
        if name == keys.regenerating:
            return on_contact(state, reading, self._hour(reading.time_ms)), ()
        if name == keys.hardness:
            return self._on_test(state, reading)
        if name == keys.feed_hardness:
            return replace(state, feed_mg_l=reading.value), ()
        if name == keys.salt:
            return self._on_salt(state, reading)
        if name == keys.normalised_flow and reading.usable:
            return replace(state, flow=on_flow(state.flow, reading)), ()
        return state, ()

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        if action.target != self._stage.id:
            return state, ()
        at_ms = action.time_ms
        if action.event == REGENERATION:
            one = Regenerated(at_ms, litres_at(state.counted, at_ms), self._hour(at_ms))
            logged = tuple(sorted((*state.logged, one), key=lambda r: r.time_ms))[-_FILLS_KEPT:]
            return replace(state, logged=logged), ()
        if action.event == SALT:
            one_fill = Filled(at_ms, litres_at(state.counted, at_ms), action.value)
            filled = tuple(sorted((*state.filled, one_fill), key=lambda f: f.time_ms))[-_FILLS_KEPT * 3 :]
            salt = state.salt
            if at_ms > salt.time_ms:
                salt = replace(salt, logged_kg=salt.logged_kg + action.value)
            return replace(state, filled=filled, salt=salt), ()
        return state, ()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        now_ms = tick.time_ms
        if 0 <= now_ms - state.judged_ms < _JUDGED_EVERY_MS:
            return state, ()
        state = replace(state, judged_ms=now_ms, listening_ms=state.listening_ms or now_ms)
        found = [
            *self._regeneration(state, now_ms),
            *self._timer(state, now_ms),
            *self._overdue(state, now_ms),
        ]
        if self.settings.salt is None:
            found += self._fills(state, now_ms)
        return state, tuple(found)

    # ------------------------------------------------------------ hardness

    def _on_test(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        limit = self.settings.limit.in_unit("mg/L")
        failed = reading.value > limit
        state = replace(state, tested=on_test(state.tested, reading, failed=failed))
        if state.tested.time_ms != reading.time_ms:
            return state, ()
        if not failed:
            state = replace(state, flow=replace(state.flow, at_pass=state.flow.now))
        sure = 0.97 if reading.value > 2.0 * limit else 0.8
        since_ms = state.tested.failed_ms or reading.time_ms
        return state, self._told(state, "hardness", reading.time_ms, failed, since_ms, sure, {})

    def _overdue(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        if self.settings.hardness is None:
            return ()
        gone = overdue_ms(state.tested, now_ms, self.settings.test_every, state.listening_ms)
        since_ms = state.tested.time_ms or state.listening_ms
        return self._told(state, "overdue", now_ms, gone is not None, since_ms, 0.99, {})

    # ------------------------------------------------------------ regenerations

    def _late(self, state: State, now_ms: int) -> _Late | None:
        """Whether a regeneration is late; None where nothing tells."""
        seen = state.seen if self.settings.regenerating is not None else ()
        hears = self.settings.regenerating is not None and now_ms - state.contact_ms <= _CONTACT_HEARD_MS
        if self._stage.regenerates_every is not None and hears:
            since_ms = seen[-1].time_ms if seen else state.listening_ms
            late = now_ms - since_ms > _LATE_TIMER * self._stage.regenerates_every
            return _Late(late, since_ms, "timer", "time", self._litres_since(state, since_ms), None, 0.95)
        last = seen[-1] if seen else None
        how = "contact" if hears else "log"
        if self.settings.regenerating is None and state.logged:
            last = state.logged[-1]
        if not state.counted.time_ms or (not hears and (last is None or last in seen)):
            return None
        since_ms = state.counted.marks[0][0] if last is None else last.time_ms
        litres = self._litres_since(state, since_ms)
        sheet_l, habit_l = self._sheet.late_l(state.feed_mg_l), None
        if how == "contact":
            habit_l = longest_by_habit_l([(r.time_ms, r.litres) for r in seen if r.litres is not None])
        longest = min((one for one in (sheet_l, habit_l) if one is not None), default=None)
        if longest is None or litres is None:
            return None
        why = "habit" if longest == habit_l else "capacity"
        sure = 0.95 if how == "contact" and why == "habit" else 0.8 if how == "contact" else 0.5
        return _Late(litres > longest, since_ms, how, why, litres, longest, sure)

    def _regeneration(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        late = self._late(state, now_ms)
        if late is None:
            return ()
        more: Evidence = {"how": late.how, "why": late.why, "longest_l": late.longest_l}
        return self._told(state, REGENERATION, now_ms, late.holds, late.since_ms, late.confidence, more)

    def _timer(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        if self.settings.regenerating is None or not state.seen:
            return ()
        hours = other_hour(state.seen, [one.time_ms for one in state.logged])
        usual, new = hours if hours is not None else (None, None)
        more: Evidence = {"usual_hour": usual, "new_hour": new}
        since_ms = state.seen[-2:][0].time_ms
        return self._told(state, "timer", now_ms, hours is not None, since_ms, 0.9, more)

    def _hour(self, at_ms: int) -> float:
        local = datetime.fromtimestamp(at_ms / 1000, self._zone)
        return local.hour + local.minute / 60.0

    def _litres_since(self, state: State, at_ms: int) -> float | None:
        """Litres since a time gone by, or at least so many where the count began later."""
        if not state.counted.time_ms:
            return None
        begun = litres_at(state.counted, at_ms)
        return state.counted.litres - (begun or 0.0)

    # ------------------------------------------------------------ salt

    def _on_salt(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        dose, kg = self._sheet.dose_kg, max(0.0, reading.value * self._kg_of_salt)
        assert dose is not None
        before, litres = state.salt, state.counted.litres
        salt = on_height(before, reading.time_ms, kg, litres, dose, by_eye=self._salt_by_eye)
        if salt.blocks is before.blocks:
            return replace(state, salt=salt), ()
        seen = None
        if self.settings.regenerating is not None and reading.time_ms - state.contact_ms <= _CONTACT_HEARD_MS:
            seen = [one.time_ms for one in state.seen]
        salt, stands = looked_at(salt, dose, self._least_kg, lambda a, b: self._cycles(state, a, b), seen)
        salt = learned(salt, stands, dose, self._sheet.least_salt_kg_l(state.feed_mg_l))
        state = replace(state, salt=salt, stands=stands)
        empty = salt.there_kg is not None and salt.there_kg <= max(_EMPTY_OF_DOSE * dose, self._least_kg)
        if stands is None and not empty:
            return state, ()
        standing = stands is not None and stands.holds
        cause = "empty" if empty else "bridge" if seen is not None else "either"
        more: Evidence = {"cause": cause}
        since_ms = reading.time_ms if stands is None or not standing else stands.since_ms
        sure = stands.confidence if stands is not None and standing else 0.8
        return state, self._told(state, SALT, reading.time_ms, standing or empty, since_ms, sure, more)

    def _cycles(self, state: State, early: Block, late: Block) -> float:
        """How many regenerations must lie between two blocks, at the slowest a sound softener has them."""
        every = self._stage.regenerates_every
        if every is not None:
            return (late.time_ms - early.time_ms) / (every + HOUR_MS)
        longest = self._longest_l(state)
        return (late.litres - early.litres) / longest if longest else 0.0

    def _longest_l(self, state: State) -> float | None:
        """Litres of the longest cycle: by its own use of salt, or by the sheet while that is young."""
        usual, dose = state.salt.usual_kg_l, self._sheet.dose_kg
        late_l = self._sheet.late_l(state.feed_mg_l)
        if usual is not None and dose is not None:
            by_salt = _LONGEST_BY_SALT * dose / usual
            return by_salt if late_l is None else min(by_salt, late_l)
        return late_l

    def _fills(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        """Where no height is read: more litres since the last salt than ever between two fills."""
        fills = by_days(state.filled)[-_FILLS_KEPT:]
        if len(fills) < _LEAST_FILLS or not state.counted.time_ms:
            return ()
        longest = max(between([(fill.time_ms, fill.litres or 0.0) for fill in fills]))
        since = state.counted.litres - (fills[-1].litres or 0.0)
        more: Evidence = {"cause": "not-logged", "since_fill_l": since, "longest_fill_l": longest}
        late = since > _LATE_FILL * longest
        return self._told(state, SALT, now_ms, late, fills[-1].time_ms, 0.6, more)

    # ------------------------------------------------------------ findings

    def _told(
        self,
        state: State,
        part: Condition,
        now_ms: int,
        holds: bool,
        since_ms: int,
        sure: float,
        more: Evidence,
    ) -> tuple[Finding, ...]:
        if part not in self.settings.watch_for:
            return ()
        evidence: Evidence = {"part": part, **self._evidence(state, now_ms), **more}
        return (
            Finding(
                condition=f"{self.settings.id}/{part}",
                subject=self._stage.id,
                holds=holds,
                time_ms=now_ms,
                since_ms=min(since_ms, now_ms),
                confidence=sure,
                evidence=evidence,
                priority="low" if part == "overdue" else None,  # a remark, whatever the rule's others are
                rests_on=self._rests_on[part],
            ),
        )

    def _evidence(self, state: State, now_ms: int) -> Evidence:
        last = max((*state.seen, *state.logged), key=lambda r: r.time_ms, default=None)
        feed = state.feed_mg_l or self._sheet.feed_mg_l
        litres = None if last is None else self._litres_since(state, last.time_ms)
        gaps = sorted(between([(r.time_ms, r.litres) for r in state.seen if r.litres is not None]))
        stands, flow = state.stands, state.flow
        return {
            "where": self._stage.label,
            "ro": self._ro,
            "recovery": self._sheet.recovery,
            "hardness_mg_l": state.tested.value,
            "feed_mg_l": feed,
            "limit_mg_l": self.settings.limit.in_unit("mg/L"),
            **evidence_of(state.tested, now_ms),
            "test_every_d": self.settings.test_every / DAY_MS,
            "regenerated_ms": None if last is None else last.time_ms,
            "since_regeneration_l": litres,
            "taken_eq": None if litres is None or not feed else litres * feed / 1000.0 / CACO3_MG_EQ,
            "capacity_eq": self._sheet.capacity_eq,
            "lasts_l": self._sheet.litres(state.feed_mg_l),
            "usual_l": gaps[len(gaps) // 2] if gaps else None,
            "use_l_d": use_l_d(state.counted),
            "has_contact": self.settings.regenerating is not None,
            "dose_kg": self._sheet.dose_kg,
            "salt_kg": state.salt.there_kg if self.settings.salt is not None else None,
            "salt_stands": stands is not None and stands.holds,
            "salt_stands_l": None if stands is None else stands.litres,
            "salt_doses": None if stands is None else stands.doses,
            "salt_fell_kg": None if stands is None else stands.fell_kg,
            "flow_change_pct": None
            if not flow.at_pass or flow.now is None
            else 100.0 * (flow.now / flow.at_pass - 1.0),
        }


def _softener(plant: Plant, name: str) -> Stage:
    stage = next((one for one in plant.stage if one.id == name), None)
    if stage is None or stage.kind != "softener":
        there = ", ".join(one.id for one in plant.stage if one.kind == "softener") or "none"
        raise ValueError(f'stage = "{name}" is no softener; softeners of this site: {there}')
    return stage


def build(settings: Settings, plant: Plant) -> Softener:
    """The rule for this plant.

    Raises: ValueError with the key and what would be right when the settings do not fit the plant.
    """
    return Softener(settings, plant)
