"""Who is owed word of a transition, and when many are told together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.alarms.alarm import Alarm
from monitor.alarms.flood import Flood, burst, come, due, singly, told
from monitor.plant.model import Plant
from monitor.readings import Notice, Priority, Transition


def spoken(
    plant: Plant,
    alarms: Mapping[str, Alarm],
    flood: Flood,
    telling: Sequence[Transition],
    last_tick_ms: int,
    tick_ms: int | None,
) -> tuple[Flood, list[Transition], list[Notice]]:
    """After an event with transitions that are to be told, or a tick: the flood, what is told together as a
    transition of its own, and who is owed word."""
    bursts: list[Transition] = []
    owed: list[Notice] = []
    if telling:
        # By the watch's clock: a backlog judged within seconds is as much of a flood as one that comes live.
        flood, at_once = come(flood, telling, max(last_tick_ms, telling[-1].time_ms))
        for transition in at_once:
            owed += notices(plant, transition.key, transition.priority)
    if tick_ms is not None and due(flood, tick_ms):
        if singly(flood):
            for held in flood.held:
                owed += notices(plant, held.key, held.priority)
        else:
            bursts.append(burst(flood, alarms, plant, tick_ms))
            owed += notices(plant, bursts[0].key, bursts[0].priority)
        flood = told(flood, tick_ms)
    return flood, bursts, owed


def notices(plant: Plant, key: str, priority: Priority) -> list[Notice]:
    """One notice a way of every person who wants the priority of the transition with this key; nobody wants
    it: everybody is told.

    Whether a transition is told at all is for the lifecycle: a person who acknowledges knows, and nobody else
    is woken for it.
    """
    wanting = [p for p in plant.person if wants(p.priorities, priority)] or plant.person
    return [Notice(key, person.id, way) for person in wanting for way in range(len(person.way))]


def wants(priorities: tuple[Priority, ...], priority: Priority) -> bool:
    """Whether a person with these priorities is to be told of that one."""
    return priority in priorities
