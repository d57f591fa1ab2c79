"""Litres that a channel has counted, and how many of them came since something was done.

What was done may be told days later, so a mark a day is kept.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from monitor.frozen import replace
from monitor.plant.derived.counted import Since
from monitor.plant.model import Plant, Stage
from monitor.readings import Level, Reading
from monitor.rules.rule import plant_channel

DAY_MS = 86_400_000
_MARKS = 60
_WEEK_MS, _WEEKS = 7 * DAY_MS, 4
# No recovery is so poor that permeate would be less than a tenth of the feed.
_LEAST_RECOVERY = 0.1


@dataclass(frozen=True, slots=True)
class Counted:
    """Litres since the count began, and where they stood at the end of each day."""

    litres: float = 0.0
    time_ms: int = 0  # of the last value; 0 before the first
    shown: float = 0.0  # what the channel showed then
    marks: tuple[tuple[int, float], ...] = ()  # time and litres, one a day, the first where the count began


def counts_on(plant: Plant, channel: str, key: str) -> str:
    """The channel, if its litres only grow.

    Raises: ValueError naming the key where it is no channel, or one that begins anew or may fall.
    """
    plant_channel(plant, channel, key)
    one = plant.computed.get(channel)
    if isinstance(one, Since) and one.since is not None:
        raise ValueError(
            f'{key} = "{channel}" begins anew with each {one.since}; name a channel that counts on, the rule '
            "itself counts from what is logged"
        )
    if one is None and plant.channels[channel].counter is None:
        raise ValueError(
            f'{key} = "{channel}" has no counter; give that channel one, like counter = {{}}, or make litres '
            'of a flow with [[derived]] kind = "litres"'
        )
    return channel


def on_litres(counted: Counted, reading: Reading, share: float = 1.0) -> Counted:
    """The count after a value of its channel; `share` litres ran for each that it counts."""
    if reading.level == Level.BAD or reading.again:
        return counted
    at_ms, shown = reading.time_ms, reading.value
    if not counted.time_ms:
        return Counted(0.0, at_ms, shown, ((at_ms, 0.0),))
    if at_ms <= counted.time_ms:
        return counted
    marks = counted.marks
    if at_ms // DAY_MS != counted.time_ms // DAY_MS:
        marks = (*marks, (counted.time_ms, counted.litres))[-_MARKS:]
    came = max(0.0, shown - counted.shown) * share
    return replace(counted, litres=counted.litres + came, time_ms=at_ms, shown=shown, marks=marks)


def litres_at(counted: Counted, at_ms: int) -> float | None:
    """Where the count stood at a time gone by; None before the first mark that is kept."""
    points = (*counted.marks, (counted.time_ms, counted.litres)) if counted.time_ms else ()
    before = bisect_right(points, (at_ms, float("inf")))
    if not before:
        return None
    if before == len(points):
        return counted.litres
    (early_ms, early), (late_ms, late) = points[before - 1], points[before]
    return early + (late - early) * (at_ms - early_ms) / max(late_ms - early_ms, 1)


def use_l_d(counted: Counted) -> float | None:
    """Litres a day over the last whole weeks, since week-ends differ; None before the first week is over."""
    if not counted.marks:
        return None
    weeks = min((counted.time_ms - counted.marks[0][0]) // _WEEK_MS, _WEEKS)
    begun = litres_at(counted, counted.time_ms - weeks * _WEEK_MS)
    return None if not weeks or begun is None else (counted.litres - begun) / (7 * weeks)


def share_of(plant: Plant, channel: str, treats: str) -> float:
    """Litres through a stage for each that a channel counts: more than one where permeate is counted.

    Raises: ValueError where it counts permeate of an RO whose recovery is not known.
    """
    point = plant.point_of(channel)
    stage = next((s for s in plant.stage if point is not None and s.id == point.after), None)
    if stage is None or not is_behind(plant, stage, treats):
        return 1.0
    while stage.id != treats:
        if stage.kind == "ro":
            if stage.recovery is None:
                raise ValueError(
                    f'litres = "{channel}" counts water behind {stage.label}; how much {treats} passes '
                    f'for it is told by recovery = "60 %" in that [[stage]]'
                )
            return 1.0 / max(stage.recovery.in_unit("1"), _LEAST_RECOVERY)
        feeds = [s for s in plant.feeds(stage.id) if s.id == treats or is_behind(plant, s, treats)]
        stage = feeds[0]
    return 1.0


def is_behind(plant: Plant, stage: Stage, treats: str) -> bool:
    """Whether a stage is fed by another, directly or through others."""
    seen: set[str] = set()
    ahead = [stage]
    while ahead:
        one = ahead.pop()
        if one.id in seen:
            continue
        seen.add(one.id)
        feeds = plant.feeds(one.id)
        if any(feed.id == treats for feed in feeds):
            return True
        ahead.extend(feeds)
    return False
