"""Checks that are due by time, by litres or by a condition: one line a working day for all of them.

Everything happens at the reminder's time of day: then it is looked through what is due today or was due
before, and a line goes out if there is any, or if something is due soon that was not said yet. So there is
never more than one message a day, and none on a day off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.plant.units import UnitError, shown
from monitor.readings import Finding, Level, OperatorAction, Reading, Reason, Tick
from monitor.rules.counted import Counted, counts_on, litres_at, on_litres, use_l_d
from monitor.rules.explaining import Figures, Moment
from monitor.rules.overdue.settings import WEEKDAYS, Check, Settings
from monitor.rules.overdue.words import summary
from monitor.rules.rule import plant_channel

DAY_MS = 86_400_000
# A value beyond its threshold for less than this is no condition yet.
_STANDS_MS = 3_600_000

Due = Literal["overdue", "today", "soon"]
_WORST: tuple[Due, ...] = ("overdue", "today", "soon")


@dataclass(frozen=True, slots=True)
class Item:
    """A check that is due, and why: days (since, or still to go), or litres, or a value."""

    check: str
    due: Due
    why: Literal["time", "litres", "condition"]
    days: int = 0  # since it was due; until it is, where it is due soon
    used: float = 0.0  # litres, or the value, canonical
    limit: float = 0.0


@dataclass(frozen=True, slots=True)
class Beyond:
    """The last value of a watched channel, and since when it is beyond its threshold; 0: it is not."""

    value: float
    since_ms: int


@dataclass(frozen=True, slots=True)
class State:
    """When each check was last done, what was counted, and what people were reminded of."""

    since_ms: int = 0  # first tick: what was never done counts from here
    done: Mapping[str, int] = field(default_factory=dict)
    counted: Mapping[str, Counted] = field(default_factory=dict)  # by channel
    beyond: Mapping[str, Beyond] = field(default_factory=dict)  # by check
    noted: Mapping[str, int] = field(default_factory=dict)  # early notes: by check, since which doing
    day: int = 0  # the local day the reminder was last thought of
    holds: bool = False
    since_due_ms: int = 0
    reminders: int = 0  # lines of the present stretch

    version = 1


class Overdue:
    """All checks of one list."""

    kind = "overdue"
    remembers_days = 400

    def __init__(self, settings: Settings, plant: Plant) -> None:
        self.settings = settings
        self._zone = ZoneInfo(plant.site.timezone)
        self._check = {check.name: check for check in settings.check}
        if settings.on_delay or settings.off_delay:
            raise ValueError('on_delay and off_delay stay "0 s" here: it is judged once a day, at `at`')
        self._beyond = dict(_thresholds(settings, plant))
        self._quantity = {name: plant.channels[one[0]].quantity for name, one in self._beyond.items()}
        self._by_reading: dict[str, list[str]] = {}
        self._by_event: dict[tuple[str, str], list[str]] = {}
        for check in settings.check:
            if check.reading is not None:
                self._by_reading.setdefault(_read_by_hand(plant, check), []).append(check.name)
            elif check.event is not None and check.of is not None:
                self._by_event.setdefault((_thing(plant, check.of), check.event), []).append(check.name)
        self._counters = {c.counter for c in settings.check if c.counter is not None}
        for check in settings.check:
            if check.counter is not None:
                counts_on(plant, check.counter, "counter")
        self._first = {check.name: self._first_ms(check, plant) for check in settings.check}
        self._where = {check.name: _log_words(check) for check in settings.check}
        watched = {check.channel for check in settings.check if check.channel is not None}
        self.channels = frozenset({*self._by_reading, *self._counters, *watched})

    def _first_ms(self, check: Check, plant: Plant) -> int:
        """When it was last done before Goodwater watched, by the site file; 0 where nobody said."""
        days = [check.last_done] if check.last_done is not None else []
        if check.event == "calibration":
            carried = [i for i in plant.instrument if i.id == check.of]
            days += [c.since for i in carried for channel in i.channel for c in channel.calibration]
        return int(datetime.combine(max(days), time(), self._zone).timestamp() * 1000) if days else 0

    def start(self) -> State:
        return State()

    # ------------------------------------------------------------ what was done, and what makes it due

    def on_event(self, state: State, action: OperatorAction) -> tuple[State, tuple[Finding, ...]]:
        for name in self._by_event.get((action.target, action.event), ()):
            state = _done(state, name, action.time_ms)
        return state, ()

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        name = reading.channel
        for check in self._by_reading.get(name, ()):
            state = _done(state, check, reading.time_ms)
        if name in self._counters:
            counted = on_litres(state.counted.get(name, Counted()), reading)
            state = replace(state, counted={**state.counted, name: counted})
        if reading.level != Level.BAD and not reading.reasons & Reason.JUMP and not reading.again:
            for check, (channel, limit, above) in self._beyond.items():
                if channel == name:
                    is_beyond = reading.value > limit if above else reading.value < limit
                    state = _watched(state, check, reading, is_beyond=is_beyond)
        return state, ()

    # ------------------------------------------------------------ the reminder

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        local = datetime.fromtimestamp(tick.time_ms / 1000, self._zone)
        today = local.date()
        if not state.since_ms or tick.time_ms < state.since_ms:
            state = replace(state, since_ms=tick.time_ms, day=0)
        if today.toordinal() == state.day or local.time() < self.settings.at or not self._works(today):
            return state, ()
        state = replace(state, day=today.toordinal())
        items = sorted(self._items(state, tick.time_ms, today), key=_urgency)
        due = [item for item in items if item.due != "soon"]
        news = [item for item in items if item.due == "soon" and not self._was_noted(state, item.check)]
        if not items:
            if not state.holds:
                return state, ()
            state = replace(state, holds=False, reminders=0, since_due_ms=0)
            return state, (self._finding(state, [], tick.time_ms),)
        if not due and not news:
            return state, ()  # said already; what is due soon is not said every day
        noted = {**state.noted, **{item.check: self._done_ms(state, item.check) for item in news}}
        state = replace(
            state,
            noted=noted,
            holds=True,
            reminders=state.reminders + 1,
            since_due_ms=state.since_due_ms or tick.time_ms,
        )
        return state, (self._finding(state, [*due, *news], tick.time_ms),)

    def _works(self, day: date) -> bool:
        return WEEKDAYS[day.weekday()] in self.settings.days and day not in self.settings.holidays

    def _next_working_day(self, today: date) -> date:
        return next(
            (d for ahead in range(1, 32) if self._works(d := today + timedelta(days=ahead))),
            today + timedelta(days=1),
        )

    def _was_noted(self, state: State, name: str) -> bool:
        return state.noted.get(name) == self._done_ms(state, name)

    def _done_ms(self, state: State, name: str) -> int:
        return max(state.done.get(name, 0), self._first[name])

    def _items(self, state: State, now_ms: int, today: date) -> Iterator[Item]:
        """Each check that is due or soon will be, by the worst of its reasons."""
        for check in self._check.values():
            found = [
                item
                for item in (
                    self._by_time(state, check, today),
                    self._by_litres(state, check),
                    self._by_condition(state, check, now_ms),
                )
                if item is not None
            ]
            if found:
                yield min(found, key=_urgency)

    def _by_time(self, state: State, check: Check, today: date) -> Item | None:
        if check.every is None:
            return None
        begun_ms = self._done_ms(state, check.name) or state.since_ms
        begun = datetime.fromtimestamp(begun_ms / 1000, self._zone).date()
        due = begun + timedelta(milliseconds=check.every)
        late = (today - due).days
        if late >= 0:
            return Item(check.name, "overdue" if late else "today", "time", late)
        ahead = max(check.early // DAY_MS, (self._next_working_day(today) - today).days - 1)
        return Item(check.name, "soon", "time", -late) if -late <= ahead else None

    def _by_litres(self, state: State, check: Check) -> Item | None:
        counted = state.counted.get(check.counter or "")
        if check.litres is None or counted is None:
            return None
        limit = check.litres.canonical("volume")
        used = self._used_l(state, check, counted)
        if used >= limit:
            return Item(check.name, "overdue", "litres", 0, used, limit)
        a_day = use_l_d(counted)
        days = None if not a_day else (limit - used) / a_day
        if days is None or days > check.early / DAY_MS:
            return None
        return Item(check.name, "soon", "litres", round(days), used, limit)

    def _used_l(self, state: State, check: Check, counted: Counted) -> float:
        """Litres since it was done; since counting began, where that is later."""
        at_done = litres_at(counted, self._done_ms(state, check.name))
        return counted.litres - (at_done or 0.0)

    def _by_condition(self, state: State, check: Check, now_ms: int) -> Item | None:
        beyond, done_ms = state.beyond.get(check.name), self._done_ms(state, check.name)
        if beyond is None or not beyond.since_ms:
            return None
        # What was done shows in the value by the next day.
        since_ms, stands_ms = (
            (beyond.since_ms, _STANDS_MS) if done_ms < beyond.since_ms else (done_ms, DAY_MS)
        )
        if now_ms - since_ms < stands_ms:
            return None
        _, limit, _ = self._beyond[check.name]
        days = (now_ms - since_ms) // DAY_MS
        return Item(check.name, "overdue" if days else "today", "condition", days, beyond.value, limit)

    def _finding(self, state: State, items: list[Item], now_ms: int) -> Finding:
        return Finding(
            condition=self.settings.id,
            subject=self.settings.id,
            holds=state.holds,
            time_ms=now_ms,
            since_ms=state.since_due_ms or now_ms,
            confidence=0.99,
            grade=state.reminders,
            rests_on=(),
            evidence={"items": [self._told(state, item) for item in items]},
        )

    def _told(self, state: State, item: Item) -> dict[str, Any]:
        done_ms = self._done_ms(state, item.check)
        done = datetime.fromtimestamp(done_ms / 1000, self._zone).date().isoformat() if done_ms else None
        told: dict[str, Any] = {
            "check": item.check,
            "due": item.due,
            "why": item.why,
            "days": item.days,
            "last_done": done,
            "log": self._where[item.check],
        }
        if item.why == "litres":
            told |= {"used_l": item.used, "limit_l": item.limit}
        elif item.why == "condition":
            channel, _, above = self._beyond[item.check]
            told |= {"value": item.used, "limit": item.limit, "above": above, "channel": channel}
            told["quantity"] = self._quantity[item.check]
        return told

    def explain(self, state: State, now: Moment) -> Figures:
        """Each check with when it was last done and what makes it due."""
        local = datetime.fromtimestamp(now.at_ms / 1000, self._zone)
        today, days = local.date(), ", ".join(self.settings.days)
        lines = [
            f"reminds at {self.settings.at:%H:%M} on {days}"
            + ("" if self._works(today) else "; today is a day off")
        ]
        items = {item.check: item for item in self._items(state, now.at_ms, today)}
        for name, check in self._check.items():
            done_ms = self._done_ms(state, name)
            line = f"{name}: " + (f"last done at {now.clock(done_ms)}" if done_ms else "not done yet")
            if (counted := state.counted.get(check.counter or "")) is not None and check.litres is not None:
                line += f", {self._used_l(state, check, counted):.0f} of {check.litres}"
            if (beyond := state.beyond.get(name)) is not None:
                line += f", {check.channel} at {shown(beyond.value, self._quantity[name])}"
            item = items.get(name)
            lines.append(f"{line}; {'not due' if item is None else summary(self._told(state, item))}")
        return {self.settings.id: lines}


def _urgency(item: Item) -> tuple[int, int]:
    """The worst first; of those that are due the longest first, of those to come the next first."""
    return _WORST.index(item.due), item.days if item.due == "soon" else -item.days


def _done(state: State, name: str, at_ms: int) -> State:
    return replace(state, done={**state.done, name: max(at_ms, state.done.get(name, 0))})


def _watched(state: State, name: str, reading: Reading, *, is_beyond: bool) -> State:
    before = state.beyond.get(name)
    since_ms = 0
    if is_beyond:
        since_ms = before.since_ms if before is not None and before.since_ms else reading.time_ms
    return replace(state, beyond={**state.beyond, name: Beyond(reading.value, since_ms)})


def _thresholds(settings: Settings, plant: Plant) -> Iterator[tuple[str, tuple[str, float, bool]]]:
    """Of each check that a value makes due: its channel, the threshold, and whether above it is too much."""
    for check in settings.check:
        side = check.above if check.above is not None else check.below
        if check.channel is None or side is None:
            continue
        quantity = plant.channels[plant_channel(plant, check.channel, "channel")].quantity
        try:
            limit = side.canonical(quantity)
        except UnitError as error:
            raise ValueError(f"{'below' if check.above is None else 'above'}: {error}") from error
        yield check.name, (check.channel, limit, check.above is not None)


def _read_by_hand(plant: Plant, check: Check) -> str:
    name = plant_channel(plant, check.reading or "", "reading")
    if plant.instrument_of(name).wire.kind != "hand":
        raise ValueError(
            f'reading = "{name}" arrives by itself, so it is never overdue; name a channel that is read by '
            'hand, wire = { kind = "hand" }, or an event'
        )
    return name


def _thing(plant: Plant, name: str) -> str:
    known = [one.id for many in (plant.stage, plant.sump, plant.coolant, plant.instrument) for one in many]
    if name not in known:
        raise ValueError(
            f'of = "{name}" is no stage, sump, coolant or instrument of this site; there are: '
            f"{', '.join(known)}"
        )
    return name


def _log_words(check: Check) -> str:
    """What a person types to say that it was done, after `goodwater log SITE`."""
    return f"{check.reading} VALUE" if check.reading is not None else f"{check.of} {check.event}"


def build(settings: Settings, plant: Plant) -> Overdue:
    """The rule for this plant.

    Raises: ValueError naming the key of a check that does not fit the plant and what would.
    """
    return Overdue(settings, plant)
