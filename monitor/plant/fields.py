"""Field types of the site file: names, durations, values with a unit.

A person writes `"5 min"` or `"20 uS/cm"`; what the models hold is milliseconds, or a `Measure` that the
part which knows the quantity turns into canonical units.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from monitor.plant import units
from monitor.plant.quantities import QUANTITIES


class Table(BaseModel):
    """A table of the site file: unknown keys are mistakes, nothing changes after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


Id = Annotated[
    str,
    Field(
        pattern=r"^[a-z0-9][a-z0-9._-]*$",
        max_length=64,
        description="lower-case letters, digits, '.', '_' and '-'; begins with a letter or digit",
    ),
]


def _duration_ms(found: object) -> object:
    if isinstance(found, str):
        value, unit = units.split_measure(found)
        return round(units.scale_between(unit, "ms").apply(value))
    raise ValueError('a duration is a number with a unit in quotes, like "5 min", "36 h" or "90 s"')


DurationMs = Annotated[int, BeforeValidator(_duration_ms), Field(ge=0)]


@dataclass(frozen=True, slots=True)
class Measure:
    """A number with the unit it was written in."""

    value: float
    unit: str

    def canonical(self, quantity: str) -> float:
        """The value in the quantity's canonical unit.

        Raises: UnitError when the unit is of another dimension.
        """
        return units.to_canonical(self.unit, quantity).apply(self.value)

    def difference(self, quantity: str) -> float:
        """The value as a difference (a deadband, an accuracy): offsets of the unit do not count."""
        return units.to_canonical(self.unit, quantity).factor * self.value

    def in_unit(self, unit: str) -> float:
        """The value in another unit of the same dimension."""
        return units.scale_between(self.unit, unit).apply(self.value)


def _measure(found: object) -> object:
    if isinstance(found, str):
        return Measure(*units.split_measure(found))
    if isinstance(found, Measure):
        return found
    raise ValueError('a value here is a number with its unit in quotes, like "20 uS/cm"')


MeasureField = Annotated[Measure, BeforeValidator(_measure)]


def _quantity(found: object) -> object:
    if found in QUANTITIES:
        return found
    raise ValueError(f"a quantity is one of: {', '.join(QUANTITIES)}")


QuantityName = Annotated[str, BeforeValidator(_quantity)]
