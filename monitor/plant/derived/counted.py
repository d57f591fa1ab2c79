"""What is counted: litres, a bed's load, running hours, starts; since ever, or since something was done."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from monitor.plant.derived.base import READ_AS_EC, Derived
from monitor.plant.fields import FlowField, HardnessField, Id, RefersTo, VolumeField, Wrong

Contact = Annotated[
    Id, RefersTo("channel", ("contact",)), Field(description="a contact that is 1 while it runs")
]


class Since(Derived):
    """A count that begins anew with an event of the logbook."""

    sums: ClassVar[bool] = True

    since: Annotated[
        Id | None,
        Field(
            description="the event it begins anew with, as people log it, like resin-change or regeneration"
        ),
    ] = None
    stage: Annotated[
        Id | None, RefersTo("stage"), Field(description="the stage that the event is logged for")
    ] = None
    sump: Annotated[
        Id | None, RefersTo("sump"), Field(description="or the sump that the event is logged for")
    ] = None

    @property
    def since_target(self) -> str:
        """The id the event is logged for; empty where it counts on for ever."""
        return self.stage or self.sump or ""

    @model_validator(mode="after")
    def _event_of_one_place(self) -> Since:
        if self.stage is not None and self.sump is not None:
            raise Wrong("a stage or a sump, not both", key="sump")
        if (self.since is None) != (not self.since_target):
            key = "since" if self.since is None else "stage"
            raise Wrong("since (the event) together with the stage or sump it is logged for", key=key)
        return self


class Water(Since):
    """Litres by a counter, by a flow, or by a contact and the flow while it runs."""

    counter: Annotated[
        Id | None, RefersTo("channel", ("volume",)), Field(description="a channel with a counter: its litres")
    ] = None
    flow: Annotated[
        Id | None, RefersTo("channel", ("flow",)), Field(description="or a flow, whose litres are summed up")
    ] = None
    running: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(description="or a contact that is 1 while water runs, together with rated_flow"),
    ] = None
    rated_flow: Annotated[FlowField | None, Field(description="the flow while that contact is 1")] = None

    @model_validator(mode="after")
    def _one_source(self) -> Water:
        known = [key for key in ("counter", "flow", "running") if getattr(self, key) is not None]
        if len(known) != 1:
            raise Wrong(
                "one of counter, flow and running: where the litres come from", key=(known or [""])[-1]
            )
        if (self.running is None) != (self.rated_flow is None):
            raise Wrong("running and rated_flow together: a contact counts no litres", key="rated_flow")
        return self


class Litres(Water):
    """`kind = "litres"`: litres that have run, ever or since an event."""

    measures: ClassVar[str] = "volume"
    multiplies: ClassVar[bool] = True

    kind: Literal["litres"]
    before: Annotated[
        VolumeField | None, Field(description="litres that had run when Goodwater began to count")
    ] = None


class DiLoad(Water):
    """`kind = "di-load"`: equivalents of anions that a DI bed has taken up."""

    measures: ClassVar[str] = "load"
    multiplies: ClassVar[bool] = True

    kind: Literal["di-load"]
    inlet: Annotated[
        Id, RefersTo("channel", READ_AS_EC), Field(description="conductivity (or TDS) of the bed's own feed")
    ]
    alkalinity: Annotated[
        HardnessField | None,
        Field(
            description="alkalinity of the feed water as CaCO3; with ph it gives the CO2, that of the tap "
            "where left out"
        ),
    ] = None
    ph: Annotated[
        float | None,
        Field(ge=4, le=10, description="pH of the feed water, measured fresh", validate_default=True),
    ] = None
    silica: Annotated[
        HardnessField | None, Field(description="silica as SiO2 in the water that enters the bed")
    ] = None

    @field_validator("ph")
    @classmethod
    def _both(cls, ph: float | None, info: ValidationInfo) -> float | None:
        if "alkalinity" in info.data and (ph is None) != (info.data["alkalinity"] is None):
            raise Wrong("the pH together with `alkalinity`, or neither: only the two give the CO2")
        return ph


class CountedFlow(Derived):
    """`kind = "counted-flow"`: the flow that a counter counts, for gates and rules."""

    measures: ClassVar[str] = "flow"
    multiplies: ClassVar[bool] = True

    kind: Literal["counted-flow"]
    counter: Annotated[Id, RefersTo("channel", ("volume",)), Field(description="a channel with a counter")]


class RunTime(Since):
    """`kind = "run-time"`: hours a contact was 1."""

    measures: ClassVar[str] = "duration"

    kind: Literal["run-time"]
    running: Contact
    of: Annotated[
        Literal["ever", "day"],
        Field(description="ever: all hours, or those since the event; day: those of the last 24 hours"),
    ] = "ever"

    @model_validator(mode="after")
    def _a_day_has_no_event(self) -> RunTime:
        if self.of == "day" and self.since is not None:
            raise Wrong('"ever" with since: the last day begins with no event', key="of")
        return self


class StartsPerDay(Derived):
    """`kind = "starts-per-day"`: how often a contact became 1 in the last 24 hours."""

    measures: ClassVar[str] = "count"

    kind: Literal["starts-per-day"]
    running: Contact
