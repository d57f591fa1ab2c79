"""The coolant sump of one machine, and the coolant in it as its sheet describes it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from monitor.plant.fields import (
    AreaField,
    HardnessField,
    Id,
    Measure,
    RefersTo,
    ShareField,
    Table,
    VolumeField,
    Wrong,
)


class Coolant(Table):
    """One coolant as its maker's sheet describes it; several sumps may hold the same."""

    id: Annotated[Id, Field(description="what sumps call it")]
    name: Annotated[str, Field(description="how messages call it; its id where left out")] = ""
    factor: Annotated[
        float | None,
        Field(ge=0.3, le=10, description="per cent of concentrate for each °Brix the refractometer shows"),
    ] = None
    band: Annotated[
        tuple[ShareField, ShareField] | None,
        Field(description='concentration it is to be kept at, like ["6 %", "9 %"]'),
    ] = None
    mineral_limit: Annotated[
        HardnessField | None,
        Field(description="hardness its sheet allows in the sump, as CaCO3"),
    ] = None

    @property
    def label(self) -> str:
        return self.name or self.id

    @field_validator("band")
    @classmethod
    def _rises(cls, band: tuple[Measure, Measure] | None) -> tuple[Measure, Measure] | None:
        if band is not None and not 0.0 < band[0].in_unit("1") < band[1].in_unit("1") < 1.0:
            raise Wrong('two shares, the lower first, like ["6 %", "9 %"]')
        return band


class Sump(Table):
    """The coolant sump of one machine."""

    id: Annotated[Id, Field(description="what instruments call it")]
    name: Annotated[
        str, Field(description="how messages call it, usually the machine; its id where left out")
    ] = ""
    volume: Annotated[VolumeField, Field(description="what it holds when filled to its mark")]
    surface: Annotated[
        AreaField | None, Field(description="open surface, for evaporation and litres per millimetre")
    ] = None
    coolant: Annotated[
        Id | None, RefersTo("coolant"), Field(description="the [[coolant]] it is filled with")
    ] = None
    hours_a_week: Annotated[
        float | None, Field(ge=0, le=168, description="hours its coolant pump runs in a usual week")
    ] = None

    @property
    def label(self) -> str:
        return self.name or self.id

    @property
    def volume_l(self) -> float:
        return self.volume.canonical("volume")

    @property
    def surface_m2(self) -> float | None:
        return None if self.surface is None else self.surface.in_unit("m**2")
