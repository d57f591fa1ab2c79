"""The settings of the rule `breakthrough`."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from monitor.plant.fields import FlowField, Id, Measure, MeasureField, RefersTo, VolumeField, Wrong
from monitor.plant.units import UnitError
from monitor.rules.breakthrough.ec import READ_AS_EC
from monitor.rules.rule import RuleSettings

Condition = Literal["forecast", "front", "discharge"]


_DATES = "dates without quotes, like 2026-03-02 or [2026-03-02, 2026-06-15]"


def _dates(found: object) -> object:
    """One day or several, in order."""
    several = found if isinstance(found, list | tuple) else [found]
    try:
        return tuple(sorted({date.fromisoformat(str(day)) for day in several}))
    except ValueError as error:
        raise Wrong(_DATES) from error


class Settings(RuleSettings):
    """`kind = "breakthrough"`."""

    kind: Literal["breakthrough"]
    outlet: Annotated[
        Id, RefersTo("channel", READ_AS_EC), Field(description="conductivity (or TDS) after the bed")
    ]
    inlet: Annotated[
        Id | None,
        RefersTo("channel", READ_AS_EC),
        Field(description="conductivity before the bed: its own feed"),
    ] = None
    tap: Annotated[
        Id | None,
        RefersTo("channel", READ_AS_EC),
        Field(description="conductivity of the tap, for messages to compare with"),
    ] = None
    flow: Annotated[Id | None, RefersTo("channel", ("flow",)), Field(description="flow through the bed")] = (
        None
    )
    running: Annotated[
        Id | None,
        RefersTo("channel", ("contact",)),
        Field(
            description="a contact that is 1 while water runs: counts where the meter does not, or is dead"
        ),
    ] = None
    rated_flow: Annotated[
        FlowField | None, Field(description="flow while the contact says that water runs, without a meter")
    ] = None
    resin: Annotated[
        VolumeField | None,
        Field(description="litres of mixed resin in the bed; those of its [[stage]] where left out"),
    ] = None
    capacity: Annotated[
        MeasureField | None,
        Field(
            description="equivalents a litre of mixed bed takes up, like 0.43 eq/L; without it 0.412 eq/L, a "
            "regenerated bed, until one was seen from its change to its front"
        ),
    ] = None
    alkalinity: Annotated[
        MeasureField | None,
        Field(
            description="alkalinity of the feed water as CaCO3, from its analysis; with ph it gives the CO2. "
            "Both are those of the tap's [[stage]] where left out"
        ),
    ] = None
    ph: Annotated[
        float | None,
        Field(ge=4, le=10, description="pH of the feed water, measured fresh", validate_default=True),
    ] = None
    silica: Annotated[
        MeasureField | None, Field(description="silica as SiO2 in the water that enters the bed")
    ] = None
    installed: Annotated[
        tuple[date, ...],
        BeforeValidator(_dates),
        Field(description="the day fresh resin was put in, or all such days; each begins a new bed"),
    ] = ()
    treated: Annotated[
        VolumeField | None,
        Field(description="litres the bed had treated when Goodwater began to count"),
    ] = None
    limit: Annotated[
        MeasureField | None, Field(description="the conductivity the coolant allows its water")
    ] = None
    warn_days: Annotated[
        float, Field(gt=0, le=90, description="the forecast is told when so few days may be left")
    ] = 10.0
    watch_for: Annotated[
        tuple[Condition, ...],
        Field(min_length=1, description="what is told; two rules can give each its own priority"),
    ] = ("forecast", "front", "discharge")

    @field_validator("capacity")
    @classmethod
    def _per_litre(cls, found: Measure | None) -> Measure | None:
        if found is None:
            return None
        example = 'equivalents a litre, like "0.43 eq/L", at most 1.5 eq/L'
        try:
            if not 0.02 <= found.in_unit("eq/L") <= 1.5:
                raise Wrong(example)
        except UnitError as error:
            raise Wrong(f"{example} ({error})") from error
        return found

    @field_validator("alkalinity", "silica")
    @classmethod
    def _as_mass(cls, found: Measure | None, info: ValidationInfo) -> Measure | None:
        most = 200.0 if info.field_name == "silica" else 2000.0
        example = f'like "120 mg/L", at most {most:g} mg/L'
        try:
            if found is not None and not 0.0 <= found.in_unit("mg/L") <= most:
                raise Wrong(example)
        except UnitError as error:
            raise Wrong(f"{example} ({error})") from error
        return found

    @field_validator("limit")
    @classmethod
    def _as_conductivity(cls, found: Measure | None) -> Measure | None:
        try:
            if found is not None and found.canonical("conductivity") <= 0:
                raise Wrong('a conductivity, like "20 uS/cm"; more than zero')
        except UnitError as error:
            raise Wrong(f'a conductivity, like "20 uS/cm" ({error})') from error
        return found

    @field_validator("ph")
    @classmethod
    def _both(cls, ph: float | None, info: ValidationInfo) -> float | None:
        if "alkalinity" in info.data and (ph is None) != (info.data["alkalinity"] is None):
            raise Wrong("the pH together with `alkalinity`, or neither: only the two give the CO2")
        return ph
