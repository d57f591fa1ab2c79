"""What a shop has, as its site file says it.

A *stage* treats water; stages stand in the file in the order the water takes. A *point* is a place in the
water's way. An *instrument* is a device on a wire and carries one or more *channels*, each one quantity.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, ValidationInfo, field_validator

from monitor.plant.fields import (
    AreaField,
    DurationMs,
    FlowField,
    Id,
    Measure,
    MeasureField,
    PositiveDurationMs,
    QuantityName,
    RefersTo,
    ShareField,
    Table,
    VolumeField,
    Wrong,
)
from monitor.plant.quantities import QUANTITIES
from monitor.plant.units import UnitError, to_canonical
from monitor.readings import Priority

StageKind = Literal[
    "tap", "sediment-filter", "carbon", "softener", "booster", "ro", "di", "uv", "tank", "distribution"
]


class Stage(Table):
    """One stage of the train. It is fed by the stage before it in the file, or by those `after` names."""

    id: Id
    kind: StageKind
    name: str = ""
    after: Annotated[tuple[Id, ...], RefersTo("stage")] = ()

    @property
    def label(self) -> str:
        return self.name or self.id


class Point(Table):
    """A place in the water's way where something is measured."""

    id: Id
    after: Annotated[Id, RefersTo("stage")]  # the stage whose outlet this is
    name: str = ""

    @property
    def label(self) -> str:
        return self.name or self.id


class Sump(Table):
    """The coolant sump of one machine."""

    id: Id
    name: str = ""
    volume: VolumeField  # when filled to its mark
    surface: AreaField | None = None  # open surface, for evaporation and litres per millimetre

    @property
    def label(self) -> str:
        return self.name or self.id

    @property
    def volume_l(self) -> float:
        return self.volume.canonical("volume")

    @property
    def surface_m2(self) -> float | None:
        return None if self.surface is None else self.surface.in_unit("m**2")


class Accuracy(Table):
    """An instrument's accuracy as its sheet gives it; the worst of the parts counts."""

    absolute: MeasureField | None = None
    of_reading: ShareField | None = None  # "2 %"
    of_full_scale: ShareField | None = None  # "1 %"

    def at(self, value: float, quantity: str, full_scale: float) -> float:
        """The error to expect at a canonical value, in the canonical unit."""
        parts = [0.0]
        if self.absolute is not None:
            parts.append(self.absolute.difference(quantity))
        if self.of_reading is not None:
            parts.append(self.of_reading.in_unit("1") * abs(value))
        if self.of_full_scale is not None:
            parts.append(self.of_full_scale.in_unit("1") * abs(full_scale))
        return max(parts)


class Calibration(Table):
    """From this date on the true value is `gain * read + offset`, in the channel's unit."""

    since: date
    gain: Annotated[float, Field(gt=0)] = 1.0
    offset: float = 0.0


class Gate(Table):
    """When the water at a channel is the water being made: enough litres or minutes since flow began."""

    flow: Annotated[Id, RefersTo("channel", ("flow", "contact"))]  # a contact is 1 while water runs
    above: FlowField = Measure(0.2, "L/min")  # less than this is standing water
    litres: VolumeField | None = None
    minutes: DurationMs = 180_000


Compensation = Literal["none", "linear", "natural-water"]
TdsScale = Literal["nacl", "kcl", "natural", "own"]


class Channel(Table):
    """One quantity of one instrument."""

    id: Id
    quantity: QuantityName
    unit: str
    name: str = ""
    point: Annotated[Id | None, RefersTo("point")] = None  # where it differs from the instrument's
    range: Annotated[
        tuple[float, float],
        Field(description="two numbers, the lower first, in the channel's unit, like [0, 200]"),
    ]
    resolution: Annotated[float, Field(gt=0)]  # in the channel's unit
    accuracy: Accuracy = Accuracy()
    calibration: tuple[Calibration, ...] = ()
    gate: Gate | None = None
    # conductivity only
    compensated: bool | None = None  # the instrument itself refers its value to 25 °C
    compensation: Compensation = "none"
    alpha: ShareField | None = None  # "2.0 %" per °C, for linear
    temperature: Annotated[Id | None, RefersTo("channel", ("temperature",)), Field(validate_default=True)] = (
        None  # the channel that measures this water's temperature
    )
    # dissolved solids only
    tds_scale: Annotated[TdsScale | None, Field(validate_default=True)] = None
    tds_factor: Annotated[float | None, Field(gt=0.2, lt=1.5, validate_default=True)] = (
        None  # mg/L per µS/cm, for scale "own"
    )
    # flags
    jump: MeasureField | None = None  # a step larger than this waits for the next value to confirm it
    flat_after: PositiveDurationMs = 172_800_000

    @property
    def label(self) -> str:
        return self.name or self.id

    @property
    def canonical_range(self) -> tuple[float, float]:
        scale = to_canonical(self.unit, self.quantity)
        return scale.apply(self.range[0]), scale.apply(self.range[1])

    @property
    def canonical_resolution(self) -> float:
        return self.resolution * to_canonical(self.unit, self.quantity).factor

    # Each check stands at the last of the keys it needs and leaves out those that are wrong by themselves,
    # so that one mistake never hides another.

    @field_validator("unit")
    @classmethod
    def _unit_fits(cls, unit: str, info: ValidationInfo) -> str:
        if "quantity" in info.data:
            to_canonical(unit, info.data["quantity"])
        return unit

    @field_validator("range")
    @classmethod
    def _range_rises(cls, span: tuple[float, float]) -> tuple[float, float]:
        if not span[0] < span[1]:
            raise Wrong("two numbers, the lower first, in the channel's unit, like [0, 200]")
        return span

    @field_validator("accuracy")
    @classmethod
    def _accuracy_fits(cls, accuracy: Accuracy, info: ValidationInfo) -> Accuracy:
        _fits_as_difference(accuracy.absolute, info, "absolute")
        return accuracy

    @field_validator("jump")
    @classmethod
    def _jump_fits(cls, jump: Measure | None, info: ValidationInfo) -> Measure | None:
        _fits_as_difference(jump, info, "")
        return jump

    @field_validator("compensated", "compensation", "alpha", "temperature")
    @classmethod
    def _conductivity_only(cls, found: Any, info: ValidationInfo) -> Any:
        if found not in (None, "none") and info.data.get("quantity", "conductivity") != "conductivity":
            raise Wrong("nothing: this key belongs to conductivity only")
        return found

    @field_validator("compensation")
    @classmethod
    def _compensated_once(cls, compensation: Compensation, info: ValidationInfo) -> Compensation:
        if info.data.get("compensated") and compensation != "none":
            raise Wrong('"none": the instrument already compensates, and compensating twice is refused')
        return compensation

    @field_validator("temperature")
    @classmethod
    def _temperature_for_compensation(cls, temperature: str | None, info: ValidationInfo) -> str | None:
        if temperature is None and info.data.get("compensation", "none") != "none":
            raise Wrong(
                f'compensation = "{info.data["compensation"]}" needs the id of the channel that measures '
                "this water's temperature"
            )
        return temperature

    @field_validator("tds_scale")
    @classmethod
    def _scale_known(cls, scale: TdsScale | None, info: ValidationInfo) -> TdsScale | None:
        if scale is None and info.data.get("quantity") == "tds":
            raise Wrong('what the maker of the TDS meter assumes: "nacl", "kcl", "natural" or "own"')
        if scale is not None and info.data.get("quantity", "tds") != "tds":
            raise Wrong("nothing: this key belongs to tds only")
        return scale

    @field_validator("tds_factor")
    @classmethod
    def _factor_for_own(cls, factor: float | None, info: ValidationInfo) -> float | None:
        if "tds_scale" in info.data and (info.data["tds_scale"] == "own") != (factor is not None):
            raise Wrong('mg/L per µS/cm, like 0.65, with tds_scale = "own" and only with it')
        return factor


def _fits_as_difference(found: Measure | None, info: ValidationInfo, key: str) -> None:
    if found is None or "quantity" not in info.data:
        return
    try:
        size = found.difference(info.data["quantity"])
    except UnitError as error:
        raise Wrong(str(error), key=key) from error
    if size <= 0.0:
        raise Wrong("a size, more than zero", key=key)


class Instrument(Table):
    """A device on a wire. `wire` is one of the drivers' settings; `config.py` knows which there are."""

    id: Id
    name: str = ""
    point: Annotated[Id | None, RefersTo("point")] = None
    sump: Annotated[Id | None, RefersTo("sump")] = None  # a point or a sump, not both
    wire: Any
    expected_interval: PositiveDurationMs
    channel: Annotated[tuple[Channel, ...], Field(min_length=1)]

    @field_validator("sump")
    @classmethod
    def _one_place(cls, sump: str | None, info: ValidationInfo) -> str | None:
        if sump is not None and info.data.get("point") is not None:
            raise Wrong("a point or a sump, not both")
        return sump

    @property
    def label(self) -> str:
        return self.name or self.id


class Person(Table):
    """Somebody who is told; a role name may stand for a person. `way` holds the settings of delivery."""

    id: Id
    name: str
    priorities: tuple[Priority, ...] = ("high", "medium", "low")
    way: Annotated[tuple[Any, ...], Field(min_length=1)]


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # a folder's name, an empty one, `..`
        raise Wrong("a name of the IANA time zone list, like Europe/Vienna, America/Chicago or UTC") from None
    return name


class Site(Table):
    """The shop as a whole."""

    id: Id
    name: str
    timezone: Annotated[str, AfterValidator(_known_zone)]
    data: Annotated[
        str, Field(min_length=1)
    ]  # the folder that holds what Goodwater remembers; relative to the site file


class Plant(Table):
    """Everything the shop has that is not a rule."""

    site: Site
    stage: tuple[Stage, ...] = ()
    point: tuple[Point, ...] = ()
    sump: tuple[Sump, ...] = ()
    instrument: Annotated[tuple[Instrument, ...], Field(min_length=1)]
    person: Annotated[tuple[Person, ...], Field(min_length=1)]

    @property
    def channels(self) -> dict[str, Channel]:
        """All channels by id, in the order of the file."""
        return {channel.id: channel for instrument in self.instrument for channel in instrument.channel}

    def instrument_of(self, channel: str) -> Instrument:
        """The instrument that carries a channel.

        Raises: KeyError when there is none.
        """
        for instrument in self.instrument:
            if any(c.id == channel for c in instrument.channel):
                return instrument
        raise KeyError(channel)

    def feeds(self, stage: str) -> tuple[Stage, ...]:
        """The stages whose water a stage takes: those its `after` names, else the one before it.

        Raises: KeyError when there is no such stage.
        """
        for position, known in enumerate(self.stage):
            if known.id == stage:
                if known.after:
                    return tuple(s for s in self.stage if s.id in known.after)
                return self.stage[position - 1 : position]
        raise KeyError(stage)

    def point_of(self, channel: str) -> Point | None:
        """The point a channel measures at; None at a sump, or where the file names no place."""
        wanted = self.channels[channel].point or self.instrument_of(channel).point
        return next((point for point in self.point if point.id == wanted), None)

    def place_of(self, channel: str) -> str:
        """Where a channel measures, in words: its point's, sump's or instrument's label."""
        instrument = self.instrument_of(channel)
        point = self.point_of(channel)
        if point is not None:
            return point.label
        for sump in self.sump:
            if sump.id == instrument.sump:
                return sump.label
        return instrument.label

    def span_words(self, channel: str) -> str:
        """A channel as a person names it: quantity and place."""
        known = self.channels[channel]
        return known.name or f"{QUANTITIES[known.quantity].name} at {self.place_of(channel)}"
