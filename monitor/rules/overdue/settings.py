"""The settings of the rule `overdue`."""

from __future__ import annotations

from datetime import date, time
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from monitor.plant.fields import (
    DurationMs,
    Id,
    MeasureField,
    RefersTo,
    Table,
    VolumeField,
    Wrong,
)
from monitor.rules.rule import RuleSettings

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_DAY_MS = 86_400_000
_A_TIME = 'a time of day of the shop in quotes, like "07:00"'


def _time_of_day(found: object) -> object:
    try:
        if isinstance(found, str) and len(found) == 5:
            return time.fromisoformat(found)
    except ValueError:
        pass
    raise Wrong(_A_TIME)


class Check(Table):
    """Something that is to be done again and again, and what tells that it was done."""

    name: Annotated[str, Field(min_length=1, max_length=60, description="how the reminder calls it")]
    reading: Annotated[
        Id | None,
        RefersTo("channel"),
        Field(description="done when a value of this channel is logged, one that is read by hand"),
    ] = None
    event: Annotated[
        Id | None, Field(description="done when this event is logged, like resin-change; goes with of")
    ] = None
    of: Annotated[
        Id | None,
        Field(description="the stage, sump, coolant or instrument the event is of", validate_default=True),
    ] = None
    last_done: Annotated[
        date | None, Field(description="the day it was last done, if that was before Goodwater watched")
    ] = None
    every: Annotated[DurationMs | None, Field(description="due so long after it was done, whole days")] = None
    litres: Annotated[
        VolumeField | None, Field(description="due after so much water since it was done; goes with counter")
    ] = None
    counter: Annotated[
        Id | None,
        RefersTo("channel", ("volume",)),
        Field(description="the channel that counts those litres, and counts on", validate_default=True),
    ] = None
    channel: Annotated[
        Id | None,
        RefersTo("channel"),
        Field(description="due while this channel stands beyond `above` or `below`"),
    ] = None
    above: Annotated[MeasureField | None, Field(description="due above this value of the channel")] = None
    below: Annotated[
        MeasureField | None, Field(description="due below this value of the channel", validate_default=True)
    ] = None
    early: Annotated[
        DurationMs, Field(description="so long before it is due one note is given, whole days")
    ] = 0

    @field_validator("of")
    @classmethod
    def _done_by_one(cls, of: str | None, info: ValidationInfo) -> str | None:
        if {"reading", "event"} - info.data.keys():
            return of
        reading, event = info.data["reading"], info.data["event"]
        if (reading is None) == (event is None):
            raise Wrong("what tells that it was done: either `reading`, or `event` with `of`", key="reading")
        if (event is None) != (of is None):
            raise Wrong('`event` and `of` together: event = "filter-change" with of = "filter"')
        return of

    @field_validator("every", "early")
    @classmethod
    def _whole_days(cls, span_ms: int | None) -> int | None:
        if span_ms is not None and span_ms % _DAY_MS:
            raise Wrong('whole days, like "7 days"')
        return span_ms

    @field_validator("counter")
    @classmethod
    def _litres_are_counted(cls, counter: str | None, info: ValidationInfo) -> str | None:
        if "litres" in info.data and (info.data["litres"] is None) != (counter is None):
            raise Wrong(
                '`litres` and `counter` together: litres = "8000 L" with the channel that counts them'
            )
        return counter

    @field_validator("below")
    @classmethod
    def _some_reason(cls, below: object, info: ValidationInfo) -> object:
        if {"every", "litres", "channel", "above"} - info.data.keys():
            return below
        sides = (info.data["above"] is not None) + (below is not None)
        if sides != (info.data["channel"] is not None):
            raise Wrong("`channel` together with either `above` or `below`", key="channel")
        if not (info.data["every"] or info.data["litres"] or sides):
            raise Wrong(
                "when it is due: `every`, `litres` with `counter`, or `channel` with a side", key="every"
            )
        return below


class Settings(RuleSettings):
    """`kind = "overdue"`."""

    kind: Literal["overdue"]
    check: Annotated[
        tuple[Check, ...], Field(min_length=1, description="what is to be done: tables [[rule.check]]")
    ]
    at: Annotated[
        time, BeforeValidator(_time_of_day), Field(description=f"when the reminder goes out, {_A_TIME}")
    ] = time(7, 0)
    days: Annotated[
        tuple[Weekday, ...], Field(min_length=1, description="the working days; on others nobody is reminded")
    ] = ("mon", "tue", "wed", "thu", "fri")
    holidays: Annotated[
        tuple[date, ...],
        Field(description="further days on which nobody is reminded, without quotes: [2026-12-25]"),
    ] = ()

    @field_validator("check")
    @classmethod
    def _named_apart(cls, checks: tuple[Check, ...]) -> tuple[Check, ...]:
        names = [check.name for check in checks]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise Wrong(f'checks of different names; "{twice[0]}" stands twice')
        return checks
