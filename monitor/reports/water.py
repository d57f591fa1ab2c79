"""The water's week: litres and quality at each point, the membrane's course, what beds have left."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import Literal

from monitor.plant.derived import DiLoad, Litres
from monitor.plant.derived.counted import Since
from monitor.plant.derived.membrane import (
    NormalisedFlow,
    NormalisedPressureDrop,
    NormalisedSaltPassage,
    Recovery,
    Rejection,
    SaltPassage,
)
from monitor.plant.model import Channel, Plant, Point
from monitor.reports.channels import Hours, together
from monitor.reports.figures import LifeWeek, PointWeek, TrendWeek
from monitor.reports.week import Week
from monitor.store import trend
from monitor.store.sums import HOUR_MS
from monitor.store.weekly import Told, last_value

QUALITY = ("conductivity", "resistivity", "tds")
_TRENDS = (
    Rejection, SaltPassage, Recovery, NormalisedFlow, NormalisedSaltPassage, NormalisedPressureDrop,
)  # fmt: skip
_TREATS = ("softener", "ro", "di")
_MONTH = 3  # weeks before the last one: four weeks ago


def points(plant: Plant, hours: Mapping[str, Hours]) -> tuple[PointWeek, ...]:
    """Every point that is metered or whose quality is measured, in the order of the file."""
    found = [_point(plant, point, hours) for point in plant.point]
    known = [one for one in found if one.quality or one.litres_by]
    treated = [one for one in known if _is_treated(plant, one.id)] or known
    made = next((one.id for one in reversed(treated) if one.quality), "")
    metered = next((one.id for one in reversed(treated) if one.litres_by), "")
    return tuple(_marked(one, made, metered) for one in known)


def _marked(point: PointWeek, made: str, metered: str) -> PointWeek:
    values = {name: getattr(point, name) for name in PointWeek.__dataclass_fields__}
    return PointWeek(**(values | {"made": point.id == made, "metered": point.id == metered}))


def _is_treated(plant: Plant, point: str) -> bool:
    """Whether it is the outlet of a stage that takes salts out of the water."""
    after = next(one.after for one in plant.point if one.id == point)
    return any(stage.id == after and stage.kind in _TREATS for stage in plant.stage)


def _point(plant: Plant, point: Point, hours: Mapping[str, Hours]) -> PointWeek:
    here = [
        channel
        for channel in plant.channels.values()
        if channel.id in hours and plant.point_of(channel.id) == point
    ]
    wired = [channel for channel in here if channel.id not in plant.computed]
    meter = _meter(plant, here)
    quality = next((c for kind in QUALITY for c in wired if c.quantity == kind), None)
    own = None if quality is None else hours[quality.id]
    worst = None if own is None or quality is None else _worst(own.now, quality)
    return PointWeek(
        point.id,
        point.label,
        made=False,
        metered=False,
        litres=None if meter is None else litres(plant, meter, hours[meter.id], 0),
        litres_before=None if meter is None else litres(plant, meter, hours[meter.id], 1),
        litres_by="" if meter is None else plant.span_words(meter.id),
        quality="" if quality is None else quality.id,
        quantity="" if quality is None else quality.quantity,
        mean=None if own is None else _mean(own.now),
        mean_before=None if own is None else _mean(own.before[0]),
        worst=None if worst is None else worst[0],
        worst_ms=None if worst is None else worst[1],
        weighted_by="" if quality is None or own is None else _weighted_by(plant, quality, own.now),
    )


def _meter(plant: Plant, here: Sequence[Channel]) -> Channel | None:
    """A counter before a derived count that goes on for ever, before a flow."""
    counters = [c for c in here if c.counter is not None]
    counts = [c for c in here if isinstance(one := plant.computed.get(c.id), Litres) and one.since is None]
    flows = [c for c in here if c.quantity == "flow" and c.id not in plant.computed]
    return next(iter((*counters, *counts, *flows)), None)


def litres(plant: Plant, meter: Channel, hours: Hours, weeks_ago: int) -> float | None:
    """Litres of this week (0), or of one before it; None where the meter said nothing.

    Of a counter: what it has risen by since its last value before. Of a flow: its hours' means, as far as it
    spoke in them.
    """
    weeks = (hours.now, *hours.before)
    now = weeks[weeks_ago]
    if not now:
        return None
    if meter.quantity == "flow":
        interval_ms = plant.interval_of(meter.id)
        return sum(
            max(p.sum.mean, 0.0) * 60.0 * min(1.0, p.sum.n * interval_ms / HOUR_MS)
            for p in now
            if p.sum.mean is not None
        )
    high = max((p.sum.high_any for p in now if p.sum.high_any is not None), default=None)
    earlier = [p for week in weeks[weeks_ago + 1 :] for p in week if p.sum.high_any is not None]
    begun = max((p.sum.high_any for p in earlier if p.sum.high_any is not None), default=None)
    if begun is None:
        begun = min((p.sum.low_any for p in now if p.sum.low_any is not None), default=None)
    return None if high is None or begun is None else max(high - begun, 0.0)


def _mean(points_: Sequence[trend.Point]) -> float | None:
    """Weighted by the water that flowed, where a flow tells; of the readings otherwise."""
    found = together(points_)
    if found is None:
        return None
    return found.mean if found.flow_mean is None else found.flow_mean


def _worst(points_: Sequence[trend.Point], quality: Channel) -> tuple[float, int] | None:
    known = [
        (mean, point.start_ms)
        for point in points_
        if (mean := point.sum.mean if point.sum.flow_mean is None else point.sum.flow_mean) is not None
    ]
    if not known:
        return None
    return min(known) if quality.quantity == "resistivity" else max(known)


def _weighted_by(
    plant: Plant, quality: Channel, points_: Sequence[trend.Point]
) -> Literal["litres", "running time", "readings", ""]:
    found = together(points_)
    if found is None or found.mean is None:
        return ""
    if found.flow_mean is None or quality.gate is None or quality.gate.flow is None:
        return "readings"
    return "running time" if plant.channels[quality.gate.flow].quantity == "contact" else "litres"


def trends(plant: Plant, hours: Mapping[str, Hours]) -> tuple[TrendWeek, ...]:
    """Rejection and what else is derived of the membrane, brought to its reference or not."""
    return tuple(
        TrendWeek(
            one.id,
            plant.span_words(one.id),
            plant.channels[one.id].quantity,
            _mean(hours[one.id].now),
            _mean(hours[one.id].before[0]),
            _mean(hours[one.id].before[_MONTH]),
        )
        for one in plant.computed.values()
        if isinstance(one, _TRENDS) and one.id in hours
    )


def lives(
    connection: sqlite3.Connection, plant: Plant, week: Week, events: Sequence[Told]
) -> tuple[LifeWeek, ...]:
    """Beds and softeners whose use is counted since an event that people log.

    What they usually give is the median of their earlier lives, each from one such event to the next; the
    first event ends a life whose beginning nobody counted, so it tells nothing.
    """
    found = []
    for one in plant.computed.values():
        if not isinstance(one, Since) or one.since is None or one.stage is None:
            continue
        if not isinstance(one, DiLoad | Litres):
            continue
        now = last_value(connection, one.id, week.to_ms)
        if now is None:
            continue
        ends = [t.time_ms for t in events if t.event == one.since and t.target == one.stage]
        full = [
            value[1]
            for start_ms, end_ms in pairwise(ends)
            if (value := last_value(connection, one.id, end_ms, start_ms)) is not None
        ]
        stage = next((s.label for s in plant.stage if s.id == one.stage), one.stage)
        found.append(
            LifeWeek(
                stage,
                plant.span_words(one.id),
                plant.channels[one.id].quantity,
                one.since,
                now[1],
                _used(connection, one.id, week, ends, now[1]),
                median(full) if full else None,
                len(full),
            )
        )
    return tuple(found)


def _used(
    connection: sqlite3.Connection, channel: str, week: Week, ends: Sequence[int], now: float
) -> float | None:
    """What was used up within the week, over what was begun anew in it."""
    start = last_value(connection, channel, week.from_ms)
    if start is None:
        return None
    used, begun = 0.0, start[1]
    for end_ms in ends:
        if week.from_ms <= end_ms < week.to_ms:
            value = last_value(connection, channel, end_ms, week.from_ms)
            used += max((begun if value is None else value[1]) - begun, 0.0)
            begun = 0.0
    return used + max(now - begun, 0.0)
