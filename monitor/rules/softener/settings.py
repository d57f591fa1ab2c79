"""The settings of the rule `softener`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from monitor.plant.fields import (
    AreaField,
    HardnessField,
    Id,
    Measure,
    MeasureField,
    PositiveDurationMs,
    RefersTo,
    Wrong,
)
from monitor.plant.units import UnitError
from monitor.rules.rule import RuleSettings

Condition = Literal["hardness", "regeneration", "salt", "timer", "overdue"]
_DAY_MS = 86_400_000


class Settings(RuleSettings):
    """`kind = "softener"`."""

    kind: Literal["softener"]
    stage: Annotated[
        Id, RefersTo("stage"), Field(description="the softener; its resin, salt and regeneration stand there")
    ]
    hardness: Annotated[
        Id | None,
        RefersTo("channel", ("hardness",)),
        Field(description="hardness behind it, by drops or strip (or an analyser)"),
    ] = None
    feed_hardness: Annotated[
        Id | None,
        RefersTo("channel", ("hardness",)),
        Field(description="hardness before it; the tap's `hardness` where left out"),
    ] = None
    litres: Annotated[
        Id | None,
        RefersTo("channel", ("volume",)),
        Field(
            description="litres that only grow: a counter's, or derived litres; those of permeate are turned "
            "into feed by the RO's `recovery`"
        ),
    ] = None
    regenerating: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(description="a contact that is 1 while it regenerates"),
    ] = None
    salt: Annotated[
        Id | None,
        RefersTo("channel", ("level", "volume")),
        Field(description="height of the salt in the brine tank (or its litres), by sensor or stick"),
    ] = None
    salt_surface: Annotated[
        AreaField | None,
        Field(description="the brine tank's cross-section; goes with a height", validate_default=True),
    ] = None
    salt_density: Annotated[
        MeasureField, Field(description="of the salt as it lies: tablets and pellets about 1.1 kg/L")
    ] = Measure(1.1, "kg/L")
    normalised_flow: Annotated[
        Id | None,
        RefersTo("channel", ("flow",)),
        Field(description="normalised flow of the RO behind it: shows in a message whether scale has begun"),
    ] = None
    limit: Annotated[
        HardnessField, Field(description="a test above it has failed; softened water has a grain at most")
    ] = Measure(20.0, "mg/L")
    test_every: Annotated[PositiveDurationMs, Field(description="how often hardness is to be tested")] = (
        7 * _DAY_MS
    )
    watch_for: Annotated[
        tuple[Condition, ...],
        Field(min_length=1, description="what is told; two rules can give each its own priority"),
    ] = ("hardness", "regeneration", "salt", "timer")

    @field_validator("salt_surface")
    @classmethod
    def _of_a_salt(cls, found: Measure | None, info: ValidationInfo) -> Measure | None:
        if found is not None and info.data.get("salt", "") is None:
            raise Wrong("nothing, or together with `salt`: the height that it turns into kilograms")
        return found

    @field_validator("salt_density")
    @classmethod
    def _as_it_lies(cls, found: Measure) -> Measure:
        example = 'like "1.1 kg/L", 0.5 to 1.5 kg/L'
        try:
            if not 0.5 <= found.in_unit("kg/L") <= 1.5:
                raise Wrong(example)
        except UnitError as error:
            raise Wrong(f"{example} ({error})") from error
        return found
