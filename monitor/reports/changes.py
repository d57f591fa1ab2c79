"""What is otherwise than a week before, what needs somebody first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from monitor.plant.units import shown
from monitor.reports.figures import (
    VERDICTS,
    AlarmsWeek,
    Change,
    InstrumentWeek,
    LifeWeek,
    PointWeek,
    SumpWeek,
    TrendWeek,
    Verdict,
)
from monitor.reports.verdict import counted

# A change is told from these on. Our own choice, no source: enough that a look is worth it.
_LITRES, _QUALITY, _QUALITY_STEPS, _TREND = 0.3, 0.25, 3, 0.05
_LOSS, _LOSS_L_DAY, _LEAST_ACCOUNTED_H = 0.5, 3.0, 72.0
_WEEKS_LEFT = 2.0


def changes(
    *,
    instruments: Sequence[InstrumentWeek],
    verdicts_before: Mapping[str, Verdict],
    points: Sequence[PointWeek],
    trends: Sequence[TrendWeek],
    lives: Sequence[LifeWeek],
    sumps: Sequence[SumpWeek],
    alarms: AlarmsWeek,
    least_change: Mapping[str, float],
) -> tuple[Change, ...]:
    """The changes, those that need a person first.

    `least_change`: of a channel, the smallest difference that its display can show.
    """
    found = [
        *_of_instruments(instruments, verdicts_before),
        *(change for point in points for change in _of_point(point, least_change)),
        *(change for one in trends for change in _of_trend(one)),
        *(change for one in lives for change in _of_life(one)),
        *(change for sump in sumps for change in _of_sump(sump)),
        *_of_alarms(alarms),
    ]
    return tuple(sorted(found, key=lambda change: not change.need))


def _of_instruments(instruments: Sequence[InstrumentWeek], before: Mapping[str, Verdict]) -> Iterator[Change]:
    for one in instruments:
        then = before.get(one.id)
        if then is None or then == one.verdict:
            continue
        if one.verdict == "fine":
            yield Change(False, f"{one.name} ({one.place}) is fine again; it was {then}.")
        else:
            worse = VERDICTS.index(one.verdict) < VERDICTS.index(then)
            yield Change(worse, f"{one.name} ({one.place}) is {one.verdict}: {one.why}. It was {then}.")


def _of_point(point: PointWeek, least_change: Mapping[str, float]) -> Iterator[Change]:
    now, before = point.mean, point.mean_before
    if now is not None and before is not None:
        least = max(_QUALITY * abs(before), _QUALITY_STEPS * least_change.get(point.quality, 0.0))
        if abs(now - before) > least:
            worse = (now > before) != (point.quantity == "resistivity")
            yield Change(
                worse,
                f"Water at {point.name} is {'worse' if worse else 'better'}: {shown(now, point.quantity)}, "
                f"{shown(before, point.quantity)} the week before.",
            )
    if point.metered and point.litres is not None and point.litres_before:
        ratio = point.litres / point.litres_before - 1.0
        if abs(ratio) > _LITRES:
            more = "more" if ratio > 0 else "less"
            yield Change(
                False,
                f"{abs(ratio):.0%} {more} water was made: {point.litres:,.0f} L, "
                f"{point.litres_before:,.0f} L the week before.",
            )


def _of_trend(one: TrendWeek) -> Iterator[Change]:
    then, when = (one.before, "the week before")
    if one.month_ago is not None:
        then, when = one.month_ago, "four weeks before"
    if one.now is None or not then or abs(one.now / then - 1.0) <= _TREND:
        return
    yield Change(True, f"{one.name}: {shown(one.now, one.quantity)}, {shown(then, one.quantity)} {when}.")


def _of_life(one: LifeWeek) -> Iterator[Change]:
    weeks = one.weeks_left
    if weeks is not None and weeks < _WEEKS_LEFT:
        yield Change(
            True,
            f"{one.stage}: at this week's use about {weeks:.1f} weeks are left of what it usually gives.",
        )


def _of_sump(sump: SumpWeek) -> Iterator[Change]:
    """Losses a day, over the hours that were accounted for; of a few hours they say little."""
    if sump.lost is None or sump.lost_before is None:
        return
    if min(sump.accounted_h, sump.accounted_h_before) < _LEAST_ACCOUNTED_H:
        return
    now, before = 24 * sump.lost / sump.accounted_h, 24 * sump.lost_before / sump.accounted_h_before
    if abs(now - before) > max(_LOSS * before, _LOSS_L_DAY):
        more = "more" if now > before else "less"
        yield Change(
            now > before, f"{sump.name} lost {more}: {now:.0f} L a day, {before:.0f} L the week before."
        )


def _of_alarms(alarms: AlarmsWeek) -> Iterator[Change]:
    now, before = sum(alarms.raised.values()), sum(alarms.raised_before.values())
    if now != before:
        yield Change(
            bool(alarms.raised.get("high", 0) > alarms.raised_before.get("high", 0)),
            f"{counted(now, 'alarm')}, {before} the week before.",
        )
    if alarms.given_up:
        yield Change(True, f"{counted(alarms.given_up, 'message')} reached nobody: see `goodwater status`.")
