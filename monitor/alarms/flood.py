"""Flood control: many alarms at once are one message, the likely cause first.

One or two alarms are told as they come. What is more than that is held for a minute or so and told together.
After the watch was away (a power cut, a stop) everything of the first minutes is held, for it has one cause.
ISA-18.2 calls more than ten alarms in ten minutes a flood (from memory, for an operator at a console); the
figures here are for people who get mail, and are our own convention.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pydantic import JsonValue

from monitor.alarms.alarm import ACTIVE, IN_ALARM, Alarm, is_higher
from monitor.frozen import replace
from monitor.plant.model import Plant
from monitor.readings import AlarmState, Cause, Evidence, Priority, Transition

BURST = "burst"  # a kind that no rule has
_CONDITION = "+burst"  # and a condition that no rule can have: ids begin with a letter or digit
_MINUTE_MS = 60_000
# So many conditions are told of one by one within the window, as often as there is something to tell of them.
_SINGLY = 2
_WINDOW_MS = 10 * _MINUTE_MS
# What is held is told once nothing has come for so long, or the first has waited for so long.
_QUIET_MS = 50_000
_LONGEST_MS = 3 * _MINUTE_MS
# A pause between ticks longer than this means that the watch was away; so long after it all is held.
_AWAY_MS = _MINUTE_MS
_SETTLES_MS = 2 * _MINUTE_MS
# So few that were held are told each by itself all the same.
_FEW = 4
_SHOWN = 12  # of the alarms of a burst, with what they say
# So many instruments that fall silent together on one wire: it is the wire.
_ONE_WIRE = 3


@dataclass(frozen=True, slots=True)
class Held:
    """A transition that is still to be told."""

    key: str
    condition: str
    cause: Cause
    priority: Priority


@dataclass(frozen=True, slots=True)
class Flood:
    """What was told lately, and what is held."""

    told: tuple[tuple[int, str], ...] = ()  # when, and of which condition
    held: tuple[Held, ...] = ()
    first_ms: int = 0  # when the first of them was held
    last_ms: int = 0
    away_from_ms: int = 0  # the watch was away
    away_until_ms: int = 0
    number: int = 0  # of bursts so far

    version = 1


def come(flood: Flood, telling: Sequence[Transition], now_ms: int) -> tuple[Flood, Sequence[Transition]]:
    """After transitions of one event that are to be told: the flood, and those that are told at once."""
    lately = _lately(flood, now_ms)
    settling = flood.away_until_ms and 0 <= now_ms - flood.away_until_ms < _SETTLES_MS
    with_these = (*lately, *((now_ms, t.condition) for t in telling))
    if not (settling or flood.held) and _conditions(with_these) <= _SINGLY:
        return replace(flood, told=with_these), telling
    held = tuple(Held(t.key, t.condition, t.cause, t.priority) for t in telling)
    first_ms = flood.first_ms if flood.held else now_ms
    return replace(flood, held=(*flood.held, *held), first_ms=first_ms, last_ms=now_ms), ()


def away(flood: Flood, last_tick_ms: int, now_ms: int) -> Flood:
    """After a tick: the flood, with the watch's own absence."""
    if last_tick_ms and now_ms - last_tick_ms > _AWAY_MS:
        return replace(flood, away_from_ms=last_tick_ms, away_until_ms=now_ms)
    return flood


def due(flood: Flood, now_ms: int) -> bool:
    """Whether what is held is to be told at this tick."""
    if not flood.held:
        return False
    if now_ms < flood.first_ms:  # the clock was set back
        return True
    if now_ms - flood.last_ms < _QUIET_MS and now_ms - flood.first_ms < _LONGEST_MS:
        return False
    urgent = any(held.priority == "high" for held in flood.held)
    free = _conditions(_lately(flood, now_ms)) <= _SINGLY
    return free or urgent or now_ms - flood.first_ms >= _WINDOW_MS


def told(flood: Flood, now_ms: int) -> Flood:
    """The flood once what was held has been told."""
    lately = _lately(flood, now_ms)
    if singly(flood):
        return replace(flood, told=(*lately, *((now_ms, one.condition) for one in flood.held)), held=())
    return replace(flood, told=(*lately, (now_ms, _CONDITION)), held=(), number=flood.number + 1)


def singly(flood: Flood) -> bool:
    """Whether what is held is so little that each is told by itself."""
    return len(flood.held) <= _FEW


def _lately(flood: Flood, now_ms: int) -> tuple[tuple[int, str], ...]:
    return tuple((at, condition) for at, condition in flood.told if 0 <= now_ms - at < _WINDOW_MS)


def _conditions(told: Iterable[tuple[int, str]]) -> int:
    return len({condition for _, condition in told})


def burst(flood: Flood, alarms: Mapping[str, Alarm], plant: Plant, now_ms: int) -> Transition:
    """All that is held as one transition: no alarm's, it only tells of others, the likely cause first."""
    conditions = dict.fromkeys(held.condition for held in flood.held)
    known = {name: alarms[name] for name in conditions if name in alarms}
    order = _order(plant)
    ranked = sorted(known, key=lambda name: (_rank(known[name]), order.get(known[name].subject, 99), name))
    priority: Priority = "low"
    for held in flood.held:
        priority = held.priority if is_higher(held.priority, priority) else priority
    standing = [name for name in ranked if known[name].state in IN_ALARM]
    shown = [*standing, *(name for name in ranked if name not in standing)][:_SHOWN]
    evidence: Evidence = {
        "total": len(conditions),
        "transitions": [held.key for held in flood.held],
        "standing": len(standing),
        "over": len(known) - len(standing),
        "high": sum(known[name].priority == "high" for name in standing),
        "shown": [_member(name, known[name]) for name in shown],
        "kinds": dict(Counter(one.rule_kind for one in known.values()).most_common()),
        "wire": _wire(plant, known.values()),
        **_absence(flood),
    }
    return Transition(
        condition=_CONDITION,
        occurrence=flood.number + 1,
        step=1,
        cause="burst",
        state=AlarmState.NORMAL,
        time_ms=now_ms,
        since_ms=flood.first_ms,
        priority=priority,
        rule_kind=BURST,
        subject=known[shown[0]].subject if shown else "",
        confidence=max((known[name].confidence for name in shown), default=0.0),
        evidence=evidence,
    )


def _rank(alarm: Alarm) -> int:
    """What explains others comes first: Goodwater's own, then instruments, then the water."""
    if alarm.rule_kind in ("store-set-aside", "rule-failed"):
        return 0
    return 1 if alarm.distrusts or alarm.rule_kind == "silent" else 2


def _order(plant: Plant) -> dict[str, int]:
    """The places of the train in the water's way, by channel, instrument, point and stage."""
    found = {stage.id: place for place, stage in enumerate(plant.stage)}
    found |= {point.id: found.get(point.after, 99) for point in plant.point}
    for instrument in plant.instrument:
        found[instrument.id] = found.get(instrument.point or "", 99)
    for name in plant.channels:
        point = plant.point_of(name)
        found[name] = found[point.id] if point is not None else 99
    return found


def _member(condition: str, alarm: Alarm) -> dict[str, JsonValue]:
    return {
        "condition": condition,
        "occurrence": alarm.occurrence,
        "over": alarm.state not in IN_ALARM,
        "priority": alarm.priority,
        "rule_kind": alarm.rule_kind,
        "subject": alarm.subject,
        "evidence": dict(alarm.evidence),
    }


def _wire(plant: Plant, alarms: Iterable[Alarm]) -> dict[str, JsonValue] | None:
    """The broker, port or server on which several instruments, and all of it, fell silent together."""
    silent = {one.subject for one in alarms if one.rule_kind == "silent" and one.state in ACTIVE}
    on: dict[tuple[str, str], list[str]] = {}
    for instrument in plant.instrument:
        for key in ("broker", "port", "server", "logger"):
            if (name := getattr(instrument.wire, key, None)) is not None:
                on.setdefault((key, str(name)), []).append(instrument.id)
    for (key, name), carried in on.items():
        if len(carried) >= _ONE_WIRE and silent.issuperset(carried):
            return {"kind": key, "name": name, "instruments": len(carried)}
    return None


def _absence(flood: Flood) -> dict[str, JsonValue]:
    if not flood.away_until_ms or not 0 <= flood.first_ms - flood.away_until_ms < _SETTLES_MS:
        return {}
    return {"away_from_ms": flood.away_from_ms, "away_until_ms": flood.away_until_ms}
