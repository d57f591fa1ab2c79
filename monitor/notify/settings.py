"""The `[delivery]` table: how long and how often delivery is tried."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from monitor.plant.fields import DurationMs, Table


class DeliverySettings(Table):
    """The same for every person and way."""

    first_retry: Annotated[
        DurationMs,
        Field(
            ge=1_000, description="longest wait before the second try; each later wait may be twice as long"
        ),
    ] = 60_000
    longest_retry: Annotated[
        DurationMs, Field(ge=1_000, le=86_400_000, description="no wait between two tries is longer")
    ] = 3_600_000
    give_up_after: Annotated[
        DurationMs,
        Field(
            ge=3_600_000,
            description="what could not be delivered for so long becomes a dead letter, shown by "
            "`goodwater status` with the reason",
        ),
    ] = 604_800_000

    @model_validator(mode="after")
    def _waits_grow(self) -> DeliverySettings:
        if self.first_retry > self.longest_retry:
            raise ValueError("first_retry must not be longer than longest_retry")
        return self
