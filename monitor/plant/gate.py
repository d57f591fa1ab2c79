"""When the water at a channel is the water being made, and what says so."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator

from monitor.plant.fields import (
    DurationMs,
    FlowField,
    Id,
    Measure,
    RefersTo,
    Table,
    VolumeField,
    Wrong,
)


class Gate(Table):
    """When the water at a channel is the water being made: enough litres or minutes since flow began.

    `running` and `tank` are witnesses against a flow meter that stands at zero. With no `flow` at all the
    course of the value itself has to tell, which leaves it uncertain.
    """

    flow: Annotated[
        Id | None,
        RefersTo("channel", ("flow", "contact")),
        Field(
            description="the channel that says when water runs: a flow, or a contact that is 1 while it "
            "runs; without one the value's own course has to tell, and stays uncertain"
        ),
    ] = None
    running: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(
            description="a contact that is 1 while this water is made: shows a dead flow meter, and counts "
            "in its place"
        ),
    ] = None
    tank: Annotated[
        Id | None,
        RefersTo("channel", ("level",)),
        Field(
            description="the level of the tank that this water, and no other, fills: one that rises shows a "
            "dead flow meter"
        ),
    ] = None
    above: Annotated[FlowField, Field(description="a flow up to this is standing water")] = Measure(
        0.2, "L/min"
    )
    litres: Annotated[
        VolumeField | None,
        Field(description="judged once so much has run; whichever of litres and minutes is first"),
    ] = None
    minutes: Annotated[DurationMs, Field(description="judged once water has run so long")] = 180_000

    @property
    def looks_at(self) -> tuple[str, ...]:
        """The channels it goes by."""
        return tuple(name for name in (self.flow, self.running, self.tank) if name is not None)

    @field_validator("running", "tank")
    @classmethod
    def _beside_a_meter(cls, found: str | None, info: ValidationInfo) -> str | None:
        if found is not None and "flow" in info.data and info.data["flow"] is None:
            raise Wrong(
                "nothing without `flow`: it vouches for a flow meter. A contact alone is named as flow"
            )
        return found
