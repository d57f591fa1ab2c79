"""Field types of the site file: names, durations, values with a unit.

A person writes `"5 min"` or `"20 uS/cm"`; what the models hold is milliseconds, or a `Measure` that the
part which knows the quantity turns into canonical units.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo

from monitor.plant import units
from monitor.plant.quantities import QUANTITIES


class Table(BaseModel):
    """A table of the site file: unknown keys are mistakes, nothing changes after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True, allow_inf_nan=False)


class Wrong(ValueError):
    """A key of the site file holds what does not fit; the text says what would.

    `key` names the key inside the table being read, when that is not where the check runs; `found` says
    what stands there, when quoting the value is not enough.
    """

    def __init__(self, allowed: str, *, key: str = "", found: str = "") -> None:
        super().__init__(allowed)
        self.key = key
        self.found = found


@dataclass(frozen=True, slots=True)
class RefersTo:
    """Marks a field (in its `Annotated`) whose text, or whose every text, is the id of another table.

    `config` checks the reference; whoever declares the field need not. In a field that is a table, the keys
    are the ids. `own` means: a channel of the same instrument.
    """

    table: str  # `channel`, or the name of a table of the file: `point`, `stage`, `broker` ...
    quantities: tuple[str, ...] = ()  # for channels: the quantities that will do; empty is any
    own: bool = False
    or_the_only: bool = False  # may be left out where the file has just one such table


ID_PATTERN = r"^[a-z0-9][a-z0-9._-]*$"
ID_WORDS = "lower-case letters, digits, '.', '_' and '-'; begins with a letter or digit"
Id = Annotated[str, Field(pattern=ID_PATTERN, max_length=64, description=ID_WORDS)]


_A_DURATION = 'a duration, not negative, with its unit in quotes, like "5 min", "36 h" or "90 s"'


def _duration_ms(found: object) -> object:
    if not isinstance(found, str):
        raise Wrong(_A_DURATION)
    try:
        value, unit = units.split_measure(found)
        milliseconds = units.scale_between(unit, "ms").apply(value)
    except units.UnitError as error:
        raise Wrong(f"{_A_DURATION} ({error})") from error
    if not 0.0 <= milliseconds <= _LONGEST_MS:
        raise Wrong(f"{_A_DURATION}; ten years at most")
    return round(milliseconds)


_LONGEST_MS = 10 * 366 * 86_400_000.0


def _more_than_nothing(milliseconds: int) -> int:
    if milliseconds <= 0:
        raise Wrong('a duration longer than nothing, like "1 min"')
    return milliseconds


DurationMs = Annotated[int, BeforeValidator(_duration_ms), Field(description=_A_DURATION)]


def is_duration(field: FieldInfo) -> bool:
    """Whether a model's field holds milliseconds that a person writes as a duration."""
    return any(isinstance(mark, BeforeValidator) and mark.func is _duration_ms for mark in _marks(field))


def _marks(field: FieldInfo) -> list[object]:
    """What `Annotated` says of a field, also within `... | None`."""
    inner = (part for part in get_args(field.annotation) if get_origin(part) is Annotated)
    return [*field.metadata, *(mark for part in inner for mark in get_args(part)[1:])]


def shown_duration(milliseconds: int) -> str:
    """A duration as a person writes it: in the largest unit that leaves no fraction."""
    for size, unit in ((86_400_000, "d"), (3_600_000, "h"), (60_000, "min"), (1_000, "s")):
        if milliseconds and milliseconds % size == 0:
            return f"{milliseconds // size} {unit}"
    return f"{milliseconds} ms" if milliseconds else "0 s"


PositiveDurationMs = Annotated[DurationMs, AfterValidator(_more_than_nothing)]
SigningKeyFile = Annotated[
    str | None, Field(description="file that holds the signing key, relative to the site file")
]
TrustedFile = Annotated[
    str | None,
    Field(description="certificates (PEM) to trust instead of the system's; relative to the site file"),
]


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

    def __str__(self) -> str:
        return f"{self.value:g} {units.shown_unit(self.unit)}"

    def in_unit(self, unit: str) -> float:
        """The value in another unit of the same dimension."""
        return units.scale_between(self.unit, unit).apply(self.value)


def _measure(found: object) -> object:
    if isinstance(found, str):
        return Measure(*units.split_measure(found))
    if isinstance(found, Measure):
        return found
    raise Wrong('a number with its unit in quotes, like "20 uS/cm"')


MeasureField = Annotated[
    Measure,
    BeforeValidator(_measure),
    Field(description='a number with its unit in quotes, like "20 uS/cm"'),
]


def _in(unit: str, example: str, *, positive: bool = True) -> AfterValidator:
    """Refuses a Measure of another dimension than `unit`, and one below or at zero where `positive`."""

    def check(found: Measure) -> Measure:
        try:
            value = found.in_unit(unit)
        except units.UnitError as error:
            raise Wrong(f"{example} ({error})") from error
        if value < 0.0 or (positive and value == 0.0):
            raise Wrong(f"{example}; more than zero")
        return found

    return AfterValidator(check)


VolumeField = Annotated[MeasureField, _in("L", 'a volume, like "200 L" or "50 gal"')]
AreaField = Annotated[MeasureField, _in("m**2", 'an area, like "0.8 m2" or "9 ft2"')]
FlowField = Annotated[MeasureField, _in("L/min", 'a flow, like "0.2 L/min" or "0.05 gpm"')]
LengthField = Annotated[MeasureField, _in("mm", 'a length, like "250 mm" or "10 inch"')]
HardnessField = Annotated[
    MeasureField, _in("mg/L", 'as CaCO3, like "300 mg/L", "17 dH" or "18 gpg"', positive=False)
]
ConductivityField = Annotated[MeasureField, _in("uS/cm", 'a conductivity, like "480 uS/cm"')]
ShareField = Annotated[MeasureField, _in("1", 'a share, like "2 %"', positive=False)]


_A_QUANTITY = f"one of: {', '.join(QUANTITIES)}"


def _quantity(found: object) -> object:
    if isinstance(found, str) and found in QUANTITIES:
        return found
    raise Wrong(_A_QUANTITY)


QuantityName = Annotated[str, BeforeValidator(_quantity), Field(description=_A_QUANTITY)]
