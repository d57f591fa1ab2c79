"""Litres in a sump or tank, from its level and its shape."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from monitor.plant.derived.base import Derived
from monitor.plant.fields import Id, LengthField, MeasureField, RefersTo, Wrong


class VolumeFromLevel(Derived):
    """`kind = "volume-from-level"`. Without a shape of its own it is that of the sump the level is in."""

    measures: ClassVar[str] = "volume"

    kind: Literal["volume-from-level"]
    level: Annotated[Id, RefersTo("channel", ("level",)), Field(description="the level")]
    floor: Annotated[
        LengthField | None, Field(description="what the level shows at the floor; 0 where left out")
    ] = None
    full_at: Annotated[
        LengthField | None,
        Field(description="of a sump without a shape here: what the level shows when it holds its volume"),
    ] = None
    length: Annotated[LengthField | None, Field(description="of a box, or of a round tank that lies")] = None
    width: Annotated[LengthField | None, Field(description="of a box, with length")] = None
    diameter: Annotated[
        LengthField | None, Field(description="of a round tank: it stands, or lies where length is given")
    ] = None
    table: Annotated[
        tuple[tuple[MeasureField, MeasureField], ...],
        Field(
            description="or a strapping table: pairs of level and litres, rising, like "
            '[["0 mm", "0 L"], ["100 mm", "47 L"]]'
        ),
    ] = ()

    @property
    def shape(self) -> str:
        """`sump`, `box`, `standing`, `lying` or `table`."""
        if self.table:
            return "table"
        if self.diameter is not None:
            return "standing" if self.length is None else "lying"
        return "sump" if self.length is None else "box"

    @model_validator(mode="after")
    def _one_shape(self) -> VolumeFromLevel:
        given = {key for key in ("length", "width", "diameter", "table", "full_at") if getattr(self, key)}
        shapes: tuple[set[str], ...] = (
            set(),
            {"full_at"},
            {"length", "width"},
            {"diameter"},
            {"diameter", "length"},
            {"table"},
        )
        if given not in shapes:
            raise Wrong(
                "one shape: length and width (a box), diameter (a standing round tank), diameter and length "
                "(a lying one), a table, or none of them (the sump's own surface, with full_at or floor)"
            )
        if self.floor is not None and given in ({"full_at"}, {"table"}):
            raise Wrong("nothing: table and full_at already say where the level begins", key="floor")
        return self
