"""Kinds that are one line: rejection, passage, recovery, difference, ratio."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from monitor.condition.derive.kind import DOWN, UP, Formula, Value
from monitor.condition.derive.salt import ec25_of
from monitor.plant.derived import Difference, Ratio, Recovery, Rejection, SaltPassage
from monitor.plant.model import Plant
from monitor.readings import Reading
from monitor.water.osmosis import ro_recovery_pct, ro_rejection_pct, ro_salt_passage_pct


class OfTwo(Formula):
    """A function of two channels."""

    def __init__(
        self, first: str, second: str, ways: tuple[int, int], compute: Callable[[float, float], float | None]
    ) -> None:
        self._first, self._second, self._compute = first, second, compute
        self.directions: Mapping[str, int] = {first: ways[0], second: ways[1]}

    def value(self, memory: None, inputs: Mapping[str, Reading]) -> Value | None:
        found = self._compute(inputs[self._first].value, inputs[self._second].value)
        return None if found is None else Value(found)


def rejection(settings: Rejection, plant: Plant) -> OfTwo:
    permeate, feed = _salts(settings, plant)
    return OfTwo(
        settings.permeate,
        settings.feed,
        (DOWN, UP),
        lambda out, into: ro_rejection_pct(feed(into), permeate(out)),
    )


def salt_passage(settings: SaltPassage, plant: Plant) -> OfTwo:
    permeate, feed = _salts(settings, plant)
    return OfTwo(
        settings.permeate,
        settings.feed,
        (UP, DOWN),
        lambda out, into: ro_salt_passage_pct(feed(into), permeate(out)),
    )


def recovery(settings: Recovery, plant: Plant) -> OfTwo:
    if settings.feed_flow is not None:
        return OfTwo(settings.permeate_flow, settings.feed_flow, (UP, DOWN), _recovery_of_feed)
    assert settings.concentrate_flow is not None
    return OfTwo(
        settings.permeate_flow,
        settings.concentrate_flow,
        (UP, DOWN),
        lambda out, reject: _recovery_of_feed(out, out + reject),
    )


def _recovery_of_feed(permeate_l_min: float, feed_l_min: float) -> float | None:
    """Nothing while the unit stands: no permeate, and none is made of a feed that only flushes."""
    if permeate_l_min <= 0.0:
        return None
    return ro_recovery_pct(feed_l_min, permeate_l_min)


def difference(settings: Difference, plant: Plant) -> OfTwo:
    _alike(plant, settings.of, settings.minus, "minus")
    return OfTwo(settings.of, settings.minus, (UP, DOWN), lambda one, other: one - other)


def ratio(settings: Ratio, plant: Plant) -> OfTwo:
    _alike(plant, settings.of, settings.to, "to")
    return OfTwo(settings.of, settings.to, (UP, DOWN), _divided)


def _divided(one: float, other: float) -> float:
    if other == 0.0:
        raise ValueError("division by a value of 0")
    return one / other


def _salts(
    settings: Rejection | SaltPassage, plant: Plant
) -> tuple[Callable[[float], float], Callable[[float], float]]:
    return ec25_of(plant, settings.permeate, "permeate"), ec25_of(plant, settings.feed, "feed")


def _alike(plant: Plant, of: str, other: str, key: str) -> None:
    first, second = plant.channels[of], plant.channels[other]
    if first.quantity != second.quantity:
        raise ValueError(
            f'{key} = "{other}" measures {second.quantity}, and "{of}" {first.quantity}; two channels of one '
            "quantity are needed"
        )
