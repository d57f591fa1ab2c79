"""A channel held against another one: its partner on the same water, and what people read by hand."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping, Sequence
from statistics import median

from monitor.plant.model import Channel, Instrument, Plant
from monitor.reports.channels import WEEKS_BEFORE, Hours
from monitor.reports.figures import Against
from monitor.reports.week import Week
from monitor.store.sums import HOUR_MS
from monitor.store.trend import Point
from monitor.store.weekly import values

# These say the same of the same water; flows, contacts and counters of one point need not.
_COMPARED = ("conductivity", "resistivity", "tds", "temperature", "ph", "turbidity", "concentration", "level")
_LEAST_HOURS = 6


def is_by_hand(instrument: Instrument) -> bool:
    """Whether its values are read by a person."""
    return getattr(instrument.wire, "kind", "") == "hand"


def place(plant: Plant, channel: str) -> tuple[str, str] | None:
    """Where a channel measures: a point's or a sump's id."""
    point = plant.point_of(channel)
    if point is not None:
        return "point", point.id
    sump = plant.instrument_of(channel).sump
    return None if sump is None else ("sump", sump)


def _alike(plant: Plant, channel: str, *, by_hand: bool) -> list[str]:
    """Channels of other instruments that measure the same quantity of the same water."""
    known, where = plant.channels[channel], place(plant, channel)
    if where is None or known.quantity not in _COMPARED:
        return []
    own = plant.instrument_of(channel).id
    return [
        other.id
        for instrument in plant.instrument
        if instrument.id != own and is_by_hand(instrument) == by_hand
        for other in instrument.channel
        if other.quantity == known.quantity and place(plant, other.id) == where
    ]


def partner(plant: Plant, channel: str, hours: Mapping[str, Hours]) -> Against | None:
    """The first other instrument on the same water: the median difference of the hours in which both said
    something, this week and before."""
    for other in _alike(plant, channel, by_hand=False):
        if other not in hours:
            continue
        now = _difference(hours[channel].now, hours[other].now)
        if now is None:
            continue
        pairs = zip(hours[channel].before, hours[other].before, strict=True)
        known = [d for a, b in pairs if (d := _difference(a, b)) is not None]
        at = _middle(hours[channel].now)
        return Against(
            plant.span_words(other) + f" ({plant.instrument_of(other).label})",
            now,
            median(known) if known else None,
            _tolerance(plant.channels[channel], plant.channels[other], at),
        )
    return None


def _difference(ours: Sequence[Point], theirs: Sequence[Point]) -> float | None:
    others = {point.start_ms: point.sum.mean for point in theirs if point.sum.mean is not None}
    found = [
        point.sum.mean - others[point.start_ms]
        for point in ours
        if point.sum.mean is not None and point.start_ms in others
    ]
    return median(found) if len(found) >= _LEAST_HOURS else None


def _middle(points: Sequence[Point]) -> float:
    means = [point.sum.mean for point in points if point.sum.mean is not None]
    return median(means) if means else 0.0


def by_hand(
    connection: sqlite3.Connection, plant: Plant, channel: str, week: Week, hours: Hours
) -> Against | None:
    """The last reading by hand of the same water in this week or the four before, against the instrument's
    own mean of that hour; `before` is the difference of the one before that."""
    for other in _alike(plant, channel, by_hand=True):
        means = {
            point.start_ms: point.sum.mean
            for points in (hours.now, *hours.before)
            for point in points
            if point.sum.mean is not None
        }
        met = [
            (at_ms, mean - value)
            for at_ms, value in values(connection, other, week.earlier(WEEKS_BEFORE).from_ms, week.to_ms)
            if (mean := means.get(at_ms // HOUR_MS * HOUR_MS)) is not None
        ]
        if met:
            at_ms, difference = met[-1]
            near = means[at_ms // HOUR_MS * HOUR_MS]
            return Against(
                f"{plant.instrument_of(other).label}, by hand",
                difference,
                met[-2][1] if len(met) > 1 else None,
                _tolerance(plant.channels[channel], plant.channels[other], near),
                at_ms,
            )
    return None


def _tolerance(ours: Channel, theirs: Channel, value: float) -> float | None:
    """What the accuracies of both explain, and a step of each display; None where no sheet gives one."""
    errors = [
        one.accuracy.at(value, one.quantity, one.canonical_range[1]) + one.canonical_resolution
        for one in (ours, theirs)
        if one.accuracy.absolute or one.accuracy.of_reading or one.accuracy.of_full_scale
    ]
    return math.hypot(*errors) if len(errors) == 2 else None
