"""Who is owed word of a transition."""

from __future__ import annotations

from monitor.plant.model import Plant
from monitor.readings import Notice, Priority, Transition


def notices(plant: Plant, transition: Transition) -> list[Notice]:
    """One notice a way of every person who wants this priority; nobody wants it: everybody is told.

    Whether a transition is told at all is for the lifecycle: a person who acknowledges knows, and nobody else
    is woken for it.
    """
    wanting = [p for p in plant.person if wants(p.priorities, transition.priority)] or plant.person
    return [Notice(transition.key, person.id, way) for person in wanting for way in range(len(person.way))]


def wants(priorities: tuple[Priority, ...], priority: Priority) -> bool:
    """Whether a person with these priorities is to be told of that one."""
    return priority in priorities
