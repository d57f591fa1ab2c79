"""A stage of the train, and facts of it that no instrument tells: from its plate, a sheet, a hand test."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from monitor.plant.fields import (
    ConductivityField,
    FlowField,
    HardnessField,
    Id,
    Measure,
    MeasureField,
    PositiveDurationMs,
    RefersTo,
    ShareField,
    Table,
    VolumeField,
    Wrong,
)
from monitor.plant.units import UnitError, parse_unit

StageKind = Literal[
    "tap", "sediment-filter", "carbon", "softener", "booster", "ro", "di", "uv", "tank", "distribution"
]

# Facts that belong to stages of some kinds only.
_OF: dict[str, tuple[StageKind, ...]] = {
    "hardness": ("tap",),
    "alkalinity": ("tap",),
    "ph": ("tap",),
    "conductivity": ("tap",),
    "chlorine": ("tap",),
    "resin": ("softener", "di"),
    "salt": ("softener",),
    "regeneration": ("softener",),
    "regenerates_every": ("softener",),
    "rated_flow": ("ro",),
    "recovery": ("ro",),
    "service": ("di",),
}
_A_SALT = 'salt for each regeneration, like "3 kg" or "6 lb", or for each litre of resin, like "128 g/L"'


class Stage(Table):
    """One stage of the train. It is fed by the stage before it in the file, or by those `after` names."""

    id: Annotated[Id, Field(description="what points and other stages call it")]
    kind: Annotated[StageKind, Field(description="what it does to the water")]
    name: Annotated[str, Field(description="how messages call it; its id where left out")] = ""
    after: Annotated[
        tuple[Id, ...],
        RefersTo("stage"),
        Field(description="the stages that feed it, where that is not the one above it in the file"),
    ] = ()
    running: Annotated[
        Id | None,
        RefersTo("channel", quantities=("contact",)),
        Field(description="the contact that says it runs; while it is off, what is measured there is silent"),
    ] = None
    # the tap: the supplier's analysis, or strips and a hand meter
    hardness: Annotated[HardnessField | None, Field(description="of a tap: its total hardness as CaCO3")] = (
        None
    )
    alkalinity: Annotated[
        HardnessField | None, Field(description="of a tap: its alkalinity as CaCO3; with ph it gives the CO2")
    ] = None
    ph: Annotated[float | None, Field(ge=4, le=10, description="of a tap: its pH, measured fresh")] = None
    conductivity: Annotated[
        ConductivityField | None, Field(description="of a tap: its conductivity at 25 °C")
    ] = None
    chlorine: Annotated[MeasureField | None, Field(description="of a tap: its free or total chlorine")] = None
    # softener and DI bed
    resin: Annotated[
        VolumeField | None, Field(description="of a softener or DI bed: litres of resin in it")
    ] = None
    salt: Annotated[MeasureField | None, Field(description=f"of a softener: {_A_SALT}")] = None
    regeneration: Annotated[
        Literal["metered", "timed"] | None,
        Field(description="of a softener: whether litres or a clock start its regeneration"),
    ] = None
    regenerates_every: Annotated[
        PositiveDurationMs | None, Field(description="of a timed softener: how often it regenerates")
    ] = None
    # RO
    rated_flow: Annotated[
        FlowField | None, Field(description="of an RO: the permeate it is rated for, at 25 °C")
    ] = None
    recovery: Annotated[
        ShareField | None, Field(description="of an RO: the share of its feed that becomes permeate")
    ] = None
    service: Annotated[
        Literal["own", "exchanged"] | None,
        Field(description="of a DI bed: resin of one's own, or bottles that a service exchanges"),
    ] = None

    @property
    def label(self) -> str:
        return self.name or self.id

    @property
    def salt_g_l(self) -> float | None:
        """Salt of a regeneration, grams for each litre of resin; None where it is not known."""
        if self.salt is None:
            return None
        if _is_mass(self.salt):
            return None if self.resin is None else self.salt.in_unit("g") / self.resin.canonical("volume")
        return self.salt.in_unit("g/L")

    @field_validator(*_OF)
    @classmethod
    def _belongs(cls, found: Any, info: ValidationInfo) -> Any:
        kinds = _OF[str(info.field_name)]
        if found is not None and info.data.get("kind", kinds[0]) not in kinds:
            raise Wrong(f"nothing: this key belongs to a stage of kind {' or '.join(kinds)} only")
        return found

    @field_validator("chlorine")
    @classmethod
    def _chlorine_fits(cls, found: Measure | None) -> Measure | None:
        example = 'like "0.3 mg/L" or "0.3 ppm"; "0 mg/L" where there is none'
        try:
            if found is not None and not 0.0 <= found.in_unit("mg/L") <= 100.0:
                raise Wrong(f"{example}, at most 100 mg/L")
        except UnitError as error:
            raise Wrong(f"{example} ({error})") from error
        return found

    @field_validator("salt")
    @classmethod
    def _salt_fits(cls, found: Measure | None) -> Measure | None:
        if found is None:
            return None
        try:
            size = found.in_unit("kg" if _is_mass(found) else "g/L")
        except UnitError as error:
            raise Wrong(f"{_A_SALT} ({error})") from error
        if size <= 0.0:
            raise Wrong(f"{_A_SALT}; more than zero")
        return found

    @field_validator("regenerates_every")
    @classmethod
    def _timed(cls, found: int | None, info: ValidationInfo) -> int | None:
        if found is not None and info.data.get("regeneration", "timed") != "timed":
            raise Wrong('nothing, or regeneration = "timed": litres start a metered one')
        return found

    @field_validator("recovery")
    @classmethod
    def _part_of_the_feed(cls, found: Measure | None) -> Measure | None:
        if found is not None and not 0.0 < found.in_unit("1") < 1.0:
            raise Wrong('a share of the feed, like "60 %"; more than 0 and less than 100 %')
        return found


def _is_mass(found: Measure) -> bool:
    return parse_unit(found.unit).dimensionality == parse_unit("kg").dimensionality
