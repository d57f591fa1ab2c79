"""What a reverse osmosis does: rejection, passage, recovery, and flow and passage brought to start-up."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from monitor.plant.derived.base import READ_AS_EC, Derived
from monitor.plant.fields import FlowField, Id, Measure, MeasureField, RefersTo, Table, Wrong
from monitor.plant.units import UnitError

Feed = Annotated[Id, RefersTo("channel", READ_AS_EC), Field(description="conductivity (or TDS) of the feed")]
Permeate = Annotated[
    Id, RefersTo("channel", READ_AS_EC), Field(description="conductivity (or TDS) of the permeate")
]


class Rejection(Derived):
    """`kind = "rejection"`: the share of the feed's salt that the membrane holds back."""

    measures: ClassVar[str] = "fraction"

    kind: Literal["rejection"]
    permeate: Permeate
    feed: Feed


class SaltPassage(Derived):
    """`kind = "salt-passage"`: the share of the feed's salt that is found in the permeate."""

    measures: ClassVar[str] = "fraction"
    multiplies: ClassVar[bool] = True

    kind: Literal["salt-passage"]
    permeate: Permeate
    feed: Feed


class Recovery(Derived):
    """`kind = "recovery"`: the share of the feed that becomes permeate."""

    measures: ClassVar[str] = "fraction"
    multiplies: ClassVar[bool] = True

    kind: Literal["recovery"]
    permeate_flow: Annotated[Id, RefersTo("channel", ("flow",)), Field(description="flow of the permeate")]
    feed_flow: Annotated[
        Id | None, RefersTo("channel", ("flow",)), Field(description="flow of the feed; or the next")
    ] = None
    concentrate_flow: Annotated[
        Id | None,
        RefersTo("channel", ("flow",)),
        Field(description="flow of the concentrate (reject), where the feed's is not measured"),
    ] = None

    @model_validator(mode="after")
    def _one_of_the_two(self) -> Recovery:
        if (self.feed_flow is None) == (self.concentrate_flow is None):
            raise Wrong("one of feed_flow and concentrate_flow: the other follows from it")
        return self


class Reference(Table):
    """The settled start-up of the membrane, or a later day that is to be compared with."""

    temperature: Annotated[MeasureField, Field(description='of the feed, like "18 degC"')]
    permeate_flow: Annotated[FlowField, Field(description="flow of the permeate then")]
    feed_flow: Annotated[FlowField | None, Field(description="flow of the feed then")] = None
    feed_pressure: Annotated[MeasureField | None, Field(description="pressure of the feed then")] = None
    pressure_drop: Annotated[
        MeasureField | None, Field(description="pressure lost along the feed side then")
    ] = None
    permeate_pressure: Annotated[
        MeasureField | None, Field(description="pressure of the permeate then; 0 where it runs open")
    ] = None
    feed: Annotated[
        MeasureField | None, Field(description="conductivity (or TDS) of the feed then, in its meter's unit")
    ] = None
    permeate: Annotated[
        MeasureField | None,
        Field(description="conductivity (or TDS) of the permeate then, in its meter's unit"),
    ] = None

    @field_validator("temperature", "feed_pressure", "pressure_drop", "permeate_pressure")
    @classmethod
    def _fits(cls, found: Measure | None, info: ValidationInfo) -> Measure | None:
        warm = info.field_name == "temperature"
        quantity, example = ("temperature", '"18 degC"') if warm else ("pressure", '"9.5 bar" or "140 psi"')
        try:
            if found is not None:
                found.canonical(quantity)
        except UnitError as error:
            raise Wrong(f"a {quantity}, like {example} ({error})") from error
        return found


class _Normalised(Derived):
    """The readings of a membrane that are brought to a reference."""

    multiplies: ClassVar[bool] = True

    reference: Annotated[Reference, Field(description="the start-up it is compared with")]
    temperature_table: Annotated[
        tuple[tuple[float, float], ...],
        Field(
            description="the membrane maker's own correction: pairs of °C and factor (1 at 25 °C, less when "
            "cold), like [[10, 0.58], [25, 1.0]]; the usual rule of 3020/2640 K where left out"
        ),
    ] = ()


class NormalisedFlow(_Normalised):
    """`kind = "normalised-flow"`: the permeate this membrane would give in its reference state."""

    measures: ClassVar[str] = "flow"

    kind: Literal["normalised-flow"]
    permeate_flow: Annotated[Id, RefersTo("channel", ("flow",)), Field(description="flow of the permeate")]
    temperature: Annotated[
        Id, RefersTo("channel", ("temperature",)), Field(description="temperature of the feed")
    ]
    feed_flow: Annotated[Id | None, RefersTo("channel", ("flow",)), Field(description="flow of the feed")] = (
        None
    )
    feed_pressure: Annotated[
        Id | None, RefersTo("channel", ("pressure",)), Field(description="pressure of the feed")
    ] = None
    pressure_drop: Annotated[
        Id | None,
        RefersTo("channel", ("pressure",)),
        Field(description="pressure lost along the feed side"),
    ] = None
    permeate_pressure: Annotated[
        Id | None,
        RefersTo("channel", ("pressure",)),
        Field(description="pressure of the permeate; 0 bar where left out: it runs open into a tank"),
    ] = None
    feed: Annotated[
        Id | None, RefersTo("channel", READ_AS_EC), Field(description="conductivity (or TDS) of the feed")
    ] = None
    permeate: Annotated[
        Id | None, RefersTo("channel", READ_AS_EC), Field(description="conductivity (or TDS) of the permeate")
    ] = None


class NormalisedSaltPassage(_Normalised):
    """`kind = "normalised-salt-passage"`: the passage this membrane would show in its reference state."""

    measures: ClassVar[str] = "fraction"

    kind: Literal["normalised-salt-passage"]
    permeate: Permeate
    feed: Feed
    permeate_flow: Annotated[Id, RefersTo("channel", ("flow",)), Field(description="flow of the permeate")]
    feed_flow: Annotated[Id, RefersTo("channel", ("flow",)), Field(description="flow of the feed")]
    temperature: Annotated[
        Id, RefersTo("channel", ("temperature",)), Field(description="temperature of the feed")
    ]


class NormalisedPressureDrop(Derived):
    """`kind = "normalised-pressure-drop"`: the drop along the feed side at the flows of the reference."""

    measures: ClassVar[str] = "pressure"
    multiplies: ClassVar[bool] = True

    kind: Literal["normalised-pressure-drop"]
    pressure_drop: Annotated[
        Id, RefersTo("channel", ("pressure",)), Field(description="pressure lost along the feed side")
    ]
    feed_flow: Annotated[Id, RefersTo("channel", ("flow",)), Field(description="flow of the feed")]
    permeate_flow: Annotated[Id, RefersTo("channel", ("flow",)), Field(description="flow of the permeate")]
    at_feed_flow: Annotated[FlowField, Field(description="flow of the feed at the start-up compared with")]
    at_permeate_flow: Annotated[FlowField, Field(description="flow of the permeate then")]
    exponent: Annotated[
        float,
        Field(ge=1.0, le=2.0, description="how the drop grows with the mean flow; 1.5 and 2 are printed"),
    ] = 1.5

    @model_validator(mode="after")
    def _a_part_of_the_feed(self) -> NormalisedPressureDrop:
        if self.at_permeate_flow.canonical("flow") >= self.at_feed_flow.canonical("flow"):
            raise Wrong("a permeate flow below the feed flow, of which it is a part", key="at_permeate_flow")
        return self
