"""The settings of the rule `tank`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from monitor.plant.fields import Id, MeasureField, PositiveDurationMs, RefersTo, Wrong
from monitor.rules.rule import RuleSettings

Told = Literal["low", "high", "not-made", "leak", "long-run", "short-cycling", "float"]

_HOUR_MS = 3_600_000


class Settings(RuleSettings):
    """`kind = "tank"`: at least one of `level`, `low_float`, `high_float` and `running`."""

    kind: Literal["tank"]
    level: Annotated[
        Id | None,
        RefersTo("channel", ("level", "volume")),
        Field(description="the tank's level, or its litres from a derived channel"),
    ] = None
    low: Annotated[
        MeasureField | None,
        Field(description="with level: at or under this no water can be drawn, or the pump runs dry"),
    ] = None
    high: Annotated[
        MeasureField | None, Field(description="with level: at or over this it is about to run over")
    ] = None
    low_float: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(description="a float switch that is 1 while the water is too low"),
    ] = None
    high_float: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(description="a float switch that is 1 while the water is too high"),
    ] = None
    running: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(description="a contact that is 1 while the RO runs; without it a rising level says so"),
    ] = None
    start_within: Annotated[
        PositiveDurationMs,
        Field(description="the RO starts so soon once the tank is low; a regeneration may lock it out"),
    ] = 3 * _HOUR_MS
    warn: Annotated[
        PositiveDurationMs, Field(description="a tank that will be empty within this time is told")
    ] = 12 * _HOUR_MS  # fmt: skip
    watch_for: Annotated[tuple[Told, ...], Field(min_length=1, description="what is told")] = (
        "low",
        "high",
        "not-made",
        "leak",
        "long-run",
        "short-cycling",
        "float",
    )

    @model_validator(mode="after")
    def _something(self) -> Settings:
        if not any((self.level, self.low_float, self.high_float, self.running)):
            raise Wrong("at least one of level, low_float, high_float and running: what is judged")
        if self.level is not None and self.low is None:
            raise Wrong('with level also low: the level at which no water can be drawn, like low = "300 mm"')
        if self.level is None and (self.low is not None or self.high is not None):
            raise Wrong("low and high only with a level; a float switch is named by low_float or high_float")
        return self
