"""The rule `filter` itself: readings, events and ticks into findings."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from monitor.frozen import replace
from monitor.plant.model import Plant, Stage
from monitor.readings import Evidence, Finding, Level, OperatorAction, Reading, Tick
from monitor.rules.counted import Counted, counts_on, is_behind, litres_at, on_litres, share_of, use_l_d
from monitor.rules.filters.drop import Drop, begun_anew, days_left, judged, limit_of, now_bar, on_drop
from monitor.rules.filters.settings import Condition, Settings
from monitor.rules.rule import plant_channel
from monitor.rules.tested import DAY_MS, Tested, evidence_of, on_test, overdue_ms
from monitor.water.chlorine import (
    chlorine_exposure_mg_h_l,
    combined_chlorine_mg_l,
    membrane_time_in_chlorine_h,
)

__all__ = ["Filter", "Settings", "State", "build"]

CHANGE: Final = "filter-change"
_HOUR_MS = 3_600_000
_JUDGED_EVERY_MS = _HOUR_MS
_BY_EYE_MS = 6 * _HOUR_MS
# Two readings of a test kit are of the same water when they lie no further apart; nor do litres tell longer.
_TOGETHER_MS = 2 * _HOUR_MS
# Where nothing says how long it lasts (common practice).
_USUAL_DAYS = {"sediment-filter": 180.0, "carbon": 365.0}


@dataclass(frozen=True, slots=True)
class State:
    """What has run since the change, what it loses, what was tested."""

    counted: Counted = field(default_factory=Counted)
    ran: bool = False  # the last value of the litres was higher than the one before
    changed_ms: int = 0  # 0: not known
    changed_l: float | None = None  # the count then; None: it began later
    drop: Drop = field(default_factory=Drop)
    free: Tested = field(default_factory=Tested)
    total: Tested = field(default_factory=Tested)
    tested: Tested = field(default_factory=Tested)  # both together: passed or failed
    bound_mg_l: float | None = None
    listening_ms: int = 0
    judged_ms: int = 0

    version = 1


@dataclass(frozen=True, slots=True)
class _Age:
    """How much of a filter is used up."""

    litres: float | None
    at_least: bool  # litres before the count are not known
    days: float | None
    left_d: float | None  # until it is due; negative when it was
    by: str  # "litres", "days"


class Filter:
    """One configured watch over a filter."""

    kind = "filter"
    remembers_days = 400  # carbon lasts a year

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._stage = _filter(plant, settings.stage)
        self._zone = ZoneInfo(plant.site.timezone)
        self._is_carbon = self._stage.kind == "carbon"
        named = ("litres", "drop", "free_chlorine", "total_chlorine")
        for key in named:
            if (name := getattr(settings, key)) is not None:
                plant_channel(plant, name, key)
                if not self._is_carbon and "chlorine" in key:
                    raise ValueError(
                        f'{key} = "{name}": only carbon takes up chlorine, {self._stage.label} does not'
                    )
        self._share = 1.0
        if settings.litres is not None:
            counts_on(plant, settings.litres, "litres")
            self._share = share_of(plant, settings.litres, settings.stage)
        self.channels = frozenset(name for key in named if (name := getattr(settings, key)) is not None)
        if not self.channels:
            raise ValueError(
                "litres: nothing to judge by; name the channel of a chlorine test, of litres or of the "
                "pressure drop"
            )
        self._drop_by_eye = settings.drop is not None and plant.interval_of(settings.drop) >= _BY_EYE_MS
        self._drop_gated = settings.drop is not None and plant.channels[settings.drop].gate is not None
        # A test by hand that nobody repeats stays what it was, and the calendar goes on without litres.
        self.rests_on = frozenset({settings.drop} if settings.drop and not self._drop_by_eye else ())
        self._drop_bar = None if settings.drop_limit is None else settings.drop_limit.canonical("pressure")
        self._capacity_l = None if settings.capacity is None else settings.capacity.canonical("volume")
        self._every_d = None if settings.change_every is None else settings.change_every / DAY_MS
        if self._every_d is None and self._capacity_l is None:
            self._every_d = _USUAL_DAYS[self._stage.kind]
        self._installed_ms = 0
        if settings.installed is not None:
            begun = datetime.combine(settings.installed, time(), self._zone)
            self._installed_ms = int(begun.timestamp() * 1000)
        tap = next((one for one in plant.stage if one.kind == "tap"), None)
        self._tap_mg_l = None if tap is None or tap.chlorine is None else tap.chlorine.in_unit("mg/L")
        behind = (one for one in plant.stage if one.kind == "ro" and is_behind(plant, one, settings.stage))
        self._ro = next((one.label for one in behind), "")

    def start(self) -> State:
        return State(changed_ms=self._installed_ms)

    # ------------------------------------------------------------ what comes in

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        keys, name = self.settings, reading.channel
        if not state.listening_ms:
            state = replace(state, listening_ms=reading.time_ms)
        if name == keys.litres:
            counted = on_litres(state.counted, reading, self._share)
            return replace(state, counted=counted, ran=counted.litres > state.counted.litres), ()
        if reading.again or reading.level == Level.BAD or not reading.ordered:
            return state, ()
        if name == keys.drop and reading.usable:
            return self._on_drop(state, reading)
        if name in (keys.free_chlorine, keys.total_chlorine):
            return self._on_test(state, reading)
        return state, ()

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        if (action.target, action.event) != (self._stage.id, CHANGE) or action.time_ms <= state.changed_ms:
            return state, ()
        return replace(
            state,
            changed_ms=action.time_ms,
            changed_l=litres_at(state.counted, action.time_ms),
            drop=begun_anew(state.drop),
            judged_ms=0,
        ), ()

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        now_ms = tick.time_ms
        if 0 <= now_ms - state.judged_ms < _JUDGED_EVERY_MS:
            return state, ()
        state = replace(state, judged_ms=now_ms, listening_ms=state.listening_ms or now_ms)
        found = [*self._spent(state, now_ms), *self._overdue(state, now_ms)]
        if self.settings.drop is not None:
            found += self._dropping(state, now_ms)
        return state, tuple(found)

    # ------------------------------------------------------------ litres and days

    def _age(self, state: State, now_ms: int) -> _Age:
        counted = state.counted
        litres = counted.litres - (state.changed_l or 0.0) if counted.time_ms else None
        days = (now_ms - state.changed_ms) / DAY_MS if state.changed_ms else None
        # Where the day is not known it has at least served as long as it was watched.
        served_d = days if days is not None else (now_ms - state.listening_ms) / DAY_MS
        left_d, by = None, "days"
        if self._every_d is not None:
            left_d = self._every_d - served_d
        use = use_l_d(counted)
        if self._capacity_l is not None and litres is not None:
            left_l = self._capacity_l - litres
            by_litres = left_l / use if use and left_l > 0.0 else None if left_l > 0.0 else 0.0
            if by_litres is not None and (left_d is None or by_litres < left_d):
                left_d, by = by_litres, "litres"
        return _Age(litres, state.changed_l is None, days, left_d, by)

    def _spent(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        age = self._age(state, now_ms)
        due = age.left_d is not None and age.left_d <= self.settings.warn_days
        sure = 0.9 if state.changed_ms else 0.6
        return self._told(state, "spent", now_ms, due, now_ms, sure, {})

    # ------------------------------------------------------------ pressure drop

    def _on_drop(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        day = datetime.fromtimestamp(reading.time_ms / 1000, self._zone).toordinal()
        drop = on_drop(
            state.drop,
            reading.time_ms,
            day,
            reading.value,
            by_eye=self._drop_by_eye,
            runs=self._runs(state, reading.time_ms),
        )
        if drop is state.drop:
            return state, ()
        state = replace(state, drop=judged(drop, self._drop_bar, self.settings.warn_days))
        return state, self._dropping(state, reading.time_ms) if self._drop_by_eye else ()

    def _runs(self, state: State, at_ms: int) -> bool | None:
        """Whether water runs: by the channel's own gate, by the litres, or not known."""
        if self._drop_gated:
            return True
        if not state.counted.time_ms or at_ms - state.counted.time_ms > _TOGETHER_MS:
            return None
        return state.ran

    def _dropping(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        drop = state.drop
        if now_bar(drop) is None:
            return ()
        limit = limit_of(drop, self._drop_bar)
        more: Evidence = {
            "why": "fallen" if drop.fallen and not drop.clogged else "clogged",
            "clogs_in_d": None if limit is None else days_left(drop, limit),
        }
        return self._told(state, "drop", now_ms, drop.clogged or drop.fallen, now_ms, 0.9, more)

    # ------------------------------------------------------------ chlorine

    def _on_test(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        keys = self.settings
        free_limit, bound_limit = (m.canonical("chlorine") for m in (keys.free_limit, keys.bound_limit))
        if reading.channel == keys.free_chlorine:
            state = replace(state, free=on_test(state.free, reading, failed=reading.value > free_limit))
        else:
            state = replace(state, total=on_test(state.total, reading, failed=False))
        free, total = state.free, state.total
        bound = None
        if free.value is not None and total.value is not None:
            together = abs(free.time_ms - total.time_ms) <= _TOGETHER_MS
            if together and free.value <= total.value + 0.2:
                bound = combined_chlorine_mg_l(total.value, free.value)
        failed = free.value is not None and free.time_ms == reading.time_ms and free.value > free_limit
        if bound is not None:
            failed = (free.value or 0.0) > free_limit or bound > bound_limit
        elif keys.free_chlorine is None:
            # Total alone: free may be all of it.
            failed = reading.value > free_limit
        elif reading.channel == keys.total_chlorine:
            return state, ()
        state = replace(state, bound_mg_l=bound, tested=on_test(state.tested, reading, failed=failed))
        return state, self._chlorine(state, reading.time_ms)

    def _chlorine(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        failed = bool(state.tested.failed_ms)
        free_limit = self.settings.free_limit.canonical("chlorine")
        free = state.free.value if state.free.value is not None else state.total.value
        only_total = state.free.value is None
        exposed = None
        if free is not None and failed and state.tested.passed_ms:
            hours = (now_ms - state.tested.passed_ms) / _HOUR_MS
            exposed = chlorine_exposure_mg_h_l(free, hours)
        bears = membrane_time_in_chlorine_h(free) if free is not None and free > free_limit else None
        more: Evidence = {"exposed_mg_h_l": exposed, "bears_h": bears, "only_total": only_total}
        sure = 0.75 if only_total else 0.9
        return self._told(state, "chlorine", now_ms, failed, state.tested.failed_ms or now_ms, sure, more)

    def _overdue(self, state: State, now_ms: int) -> tuple[Finding, ...]:
        tests = self.settings.free_chlorine is not None or self.settings.total_chlorine is not None
        if not tests or self._tap_mg_l == 0.0:
            return ()
        gone = overdue_ms(state.tested, now_ms, self.settings.test_every, state.listening_ms)
        since_ms = state.tested.time_ms or state.listening_ms
        return self._told(state, "overdue", now_ms, gone is not None, since_ms, 0.99, {})

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
        return (
            Finding(
                condition=f"{self.settings.id}/{part}",
                subject=self._stage.id,
                holds=holds,
                time_ms=now_ms,
                since_ms=min(since_ms, now_ms),
                confidence=sure,
                evidence={"part": part, **self._evidence(state, now_ms), **more},
                rests_on=tuple(self.rests_on) if part == "drop" else (),
            ),
        )

    def _evidence(self, state: State, now_ms: int) -> Evidence:
        age, drop = self._age(state, now_ms), state.drop
        return {
            "where": self._stage.label,
            "carbon": self._is_carbon,
            "stage": self._stage.kind,
            "ro": self._ro,
            "litres": age.litres,
            "at_least": age.at_least,
            "days": age.days,
            "watched_d": (now_ms - state.listening_ms) / DAY_MS,
            "left_d": age.left_d,
            "by": age.by,
            "capacity_l": self._capacity_l,
            "every_d": self._every_d,
            "use_l_d": use_l_d(state.counted),
            "drop_bar": now_bar(drop),
            "clean_bar": drop.clean_bar,
            "limit_bar": limit_of(drop, self._drop_bar),
            "tests_chlorine": bool(self.settings.free_chlorine or self.settings.total_chlorine),
            "free_mg_l": state.free.value,
            "total_mg_l": state.total.value,
            "bound_mg_l": state.bound_mg_l,
            "free_limit_mg_l": self.settings.free_limit.canonical("chlorine"),
            "bound_limit_mg_l": self.settings.bound_limit.canonical("chlorine"),
            "tap_mg_l": self._tap_mg_l,
            **evidence_of(state.tested, now_ms),
        }


def _filter(plant: Plant, name: str) -> Stage:
    stage = next((one for one in plant.stage if one.id == name), None)
    if stage is None or stage.kind not in _USUAL_DAYS:
        there = ", ".join(one.id for one in plant.stage if one.kind in _USUAL_DAYS) or "none"
        raise ValueError(f'stage = "{name}" is no filter; sediment filters and carbon of this site: {there}')
    return stage


def build(settings: Settings, plant: Plant) -> Filter:
    """The rule for this plant.

    Raises: ValueError with the key and what would be right when the settings do not fit the plant.
    """
    return Filter(settings, plant)
