"""The settings of the rule `membrane`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from monitor.plant.fields import DurationMs, Id, Measure, MeasureField, RefersTo, ShareField, Wrong
from monitor.plant.units import UnitError
from monitor.rules.rule import RuleSettings

Told = Literal["flow", "passage", "drop", "starts"]

_DAY_MS = 86_400_000


class Settings(RuleSettings):
    """`kind = "membrane"`: at least one of `flow`, `passage`, `drop` and `running`."""

    kind: Literal["membrane"]
    flow: Annotated[
        Id | None,
        RefersTo("channel", ("flow",)),
        Field(description="normalised permeate flow: a derived channel of kind normalised-flow"),
    ] = None
    passage: Annotated[
        Id | None,
        RefersTo("channel", ("fraction",)),
        Field(description="normalised salt passage: a derived channel of kind normalised-salt-passage"),
    ] = None
    drop: Annotated[
        Id | None,
        RefersTo("channel", ("pressure",)),
        Field(
            description="pressure lost along the feed side: best a derived channel of kind "
            "normalised-pressure-drop"
        ),
    ] = None
    running: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(description="a contact that is 1 while the unit runs: its starts; leave it to a rule `tank`"),
    ] = None
    stage: Annotated[
        Id | None,
        RefersTo("stage"),
        Field(
            description="the RO the events are logged for; the one behind which it is measured if left out"
        ),
    ] = None
    changed: Annotated[
        Id, Field(description="the event a change of the membrane is logged as: all is learned anew")
    ] = "membrane-change"
    cleaned: Annotated[
        Id, Field(description="the event a cleaning is logged as: did it bring the membrane back?")
    ] = "membrane-cleaning"
    learn: Annotated[
        DurationMs, Field(description="how long what is usual is learned, 7 to 30 days")
    ] = 14 * _DAY_MS  # fmt: skip
    flow_loss: Annotated[ShareField, Field(description="so much less water asks for a cleaning")] = Measure(
        10.0, "%"
    )
    passage_rise: Annotated[ShareField, Field(description="so much more salt passage does")] = Measure(
        10.0, "%"
    )
    drop_rise: Annotated[ShareField, Field(description="so much more pressure drop does")] = Measure(
        15.0, "%"
    )
    most_drop: Annotated[
        MeasureField | None,
        Field(
            description="the most pressure drop that the element's sheet allows, as the channel `drop` has it"
        ),
    ] = None
    watch_for: Annotated[
        tuple[Told, ...],
        Field(
            min_length=1,
            description="what is told by itself; without passage its rise alone is left to a rule creep",
        ),
    ] = ("flow", "drop", "starts")

    @field_validator("learn")
    @classmethod
    def _long_enough(cls, learn: int) -> int:
        if not 7 * _DAY_MS <= learn <= 30 * _DAY_MS:
            raise Wrong('7 to 30 days, like "14 days"')
        return learn

    @field_validator("flow_loss", "passage_rise", "drop_rise")
    @classmethod
    def _between(cls, found: Measure, info: ValidationInfo) -> Measure:
        if not 0.05 <= found.in_unit("1") <= 0.5:
            raise Wrong('a share from "5 %" to "50 %"; less is within what temperature and meters leave open')
        return found

    @field_validator("most_drop")
    @classmethod
    def _as_pressure(cls, found: Measure | None) -> Measure | None:
        try:
            if found is not None and found.canonical("pressure") <= 0.0:
                raise Wrong('a pressure more than nothing, like "1 bar"')
        except UnitError as error:
            raise Wrong(f'a pressure, like "1 bar" or "15 psi" ({error})') from error
        return found

    @model_validator(mode="after")
    def _something(self) -> Settings:
        if not any((self.flow, self.passage, self.drop, self.running)):
            raise Wrong("at least one of flow, passage, drop and running: there is nothing to judge by")
        return self
