"""The settings of the rule `filter`."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from monitor.plant.fields import (
    Id,
    Measure,
    MeasureField,
    PositiveDurationMs,
    RefersTo,
    VolumeField,
    Wrong,
)
from monitor.plant.units import UnitError
from monitor.rules.rule import RuleSettings

Condition = Literal["spent", "drop", "chlorine", "overdue"]
_DAY_MS = 86_400_000


class Settings(RuleSettings):
    """`kind = "filter"`."""

    kind: Literal["filter"]
    stage: Annotated[
        Id, RefersTo("stage"), Field(description="the filter: a stage of kind sediment-filter or carbon")
    ]
    litres: Annotated[
        Id | None,
        RefersTo("channel", ("volume",)),
        Field(
            description="litres that only grow: a counter's, or derived litres; those of permeate are turned "
            "into feed by the RO's `recovery`"
        ),
    ] = None
    capacity: Annotated[
        VolumeField | None,
        Field(description="litres it is rated for, from its sheet; goes with litres", validate_default=True),
    ] = None
    change_every: Annotated[
        PositiveDurationMs | None,
        Field(
            description="change it at the latest after so long; without it and a capacity half a year, of "
            "carbon a year"
        ),
    ] = None
    installed: Annotated[
        date | None,
        Field(description="day it was changed before anything was logged; logged is `filter-change`"),
    ] = None
    warn_days: Annotated[
        float, Field(ge=0, le=60, description="told so many days before it is due, or before it clogs")
    ] = 7.0
    drop: Annotated[
        Id | None,
        RefersTo("channel", ("pressure",)),
        Field(description="pressure lost in it while water runs, by a transmitter or two gauges"),
    ] = None
    drop_limit: Annotated[
        MeasureField | None,
        Field(description="the most it may lose; 0.7 bar more than when clean where left out"),
    ] = None
    free_chlorine: Annotated[
        Id | None,
        RefersTo("channel", ("chlorine",)),
        Field(description="free chlorine behind carbon, by a test kit"),
    ] = None
    total_chlorine: Annotated[
        Id | None,
        RefersTo("channel", ("chlorine",)),
        Field(description="total chlorine there: with free it gives what is bound (chloramine)"),
    ] = None
    free_limit: Annotated[
        MeasureField, Field(description="free chlorine that the membrane behind it may get")
    ] = Measure(0.1, "mg/L")
    bound_limit: Annotated[
        MeasureField, Field(description="bound chlorine from which on the carbon counts as spent")
    ] = Measure(0.5, "mg/L")
    test_every: Annotated[PositiveDurationMs, Field(description="how often chlorine is to be tested")] = (
        7 * _DAY_MS
    )
    watch_for: Annotated[
        tuple[Condition, ...],
        Field(min_length=1, description="what is told; two rules can give each its own priority"),
    ] = ("spent", "drop", "chlorine", "overdue")

    @field_validator("capacity")
    @classmethod
    def _of_litres(cls, found: Measure | None, info: ValidationInfo) -> Measure | None:
        if found is not None and info.data.get("litres", "") is None:
            raise Wrong("nothing, or together with `litres`: what is counted towards it")
        return found

    @field_validator("drop_limit")
    @classmethod
    def _a_pressure(cls, found: Measure | None) -> Measure | None:
        example = 'a pressure, like "0.8 bar" or "12 psi"'
        try:
            if found is not None and found.canonical("pressure") <= 0.0:
                raise Wrong(f"{example}; more than zero")
        except UnitError as error:
            raise Wrong(f"{example} ({error})") from error
        return found

    @field_validator("free_limit", "bound_limit")
    @classmethod
    def _some_chlorine(cls, found: Measure) -> Measure:
        example = 'like "0.1 mg/L" or "0.1 ppm", above 0 and at most 10 mg/L'
        try:
            if not 0.0 < found.canonical("chlorine") <= 10.0:
                raise Wrong(example)
        except UnitError as error:
            raise Wrong(f"{example} ({error})") from error
        return found
