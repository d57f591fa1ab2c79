"""What a shop has, as its site file says it.

A *stage* treats water; stages stand in the file in the order the water takes. A *point* is a place in the
water's way. An *instrument* is a device on a wire and carries one or more *channels*, each one quantity.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from monitor.plant.fields import DurationMs, Id, Measure, MeasureField, QuantityName, Table
from monitor.plant.quantities import QUANTITIES
from monitor.plant.units import to_canonical
from monitor.readings import Priority

StageKind = Literal[
    "tap", "sediment-filter", "carbon", "softener", "booster", "ro", "di", "uv", "tank", "distribution"
]


class Stage(Table):
    """One stage of the train."""

    id: Id
    kind: StageKind
    name: str = ""

    @property
    def label(self) -> str:
        return self.name or self.id


class Point(Table):
    """A place in the water's way where something is measured."""

    id: Id
    after: Id  # the stage whose outlet this is
    name: str = ""

    @property
    def label(self) -> str:
        return self.name or self.id


class Sump(Table):
    """The coolant sump of one machine."""

    id: Id
    name: str = ""
    volume: MeasureField  # when filled to its mark
    surface: MeasureField | None = None  # open surface, for evaporation and litres per millimetre

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
    of_reading: MeasureField | None = None  # "2 %"
    of_full_scale: MeasureField | None = None  # "1 %"

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

    flow: Id  # a channel of quantity flow, or a contact that is 1 while water runs
    above: MeasureField = Measure(0.2, "L/min")  # less than this is standing water
    litres: MeasureField | None = None
    minutes: DurationMs = 180_000


class Channel(Table):
    """One quantity of one instrument."""

    id: Id
    quantity: QuantityName
    unit: str
    name: str = ""
    point: Id | None = None  # where it differs from the instrument's
    range: tuple[float, float]  # in the channel's unit
    resolution: Annotated[float, Field(gt=0)]  # in the channel's unit
    accuracy: Accuracy = Accuracy()
    calibration: tuple[Calibration, ...] = ()
    gate: Gate | None = None
    # conductivity only
    compensated: bool | None = None  # the instrument itself refers its value to 25 °C
    compensation: Literal["none", "linear", "natural-water"] = "none"
    alpha: MeasureField | None = None  # "2.0 %" per °C, for linear
    temperature: Id | None = None  # the channel that measures this water's temperature
    # dissolved solids only
    tds_scale: Literal["nacl", "kcl", "natural", "own"] | None = None
    tds_factor: Annotated[float, Field(gt=0.2, lt=1.5)] | None = None  # mg/L per µS/cm, for scale "own"
    # flags
    jump: MeasureField | None = None  # a step larger than this waits for the next value to confirm it
    flat_after: DurationMs = 172_800_000

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

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Channel:
        to_canonical(self.unit, self.quantity)
        if not self.range[0] < self.range[1]:
            raise ValueError(f"range {list(self.range)} must rise")
        if self.jump is not None:
            self.jump.difference(self.quantity)
        if self.accuracy.absolute is not None:
            self.accuracy.absolute.difference(self.quantity)
        if self.quantity == "conductivity":
            if self.compensated and self.compensation != "none":
                raise ValueError("the instrument already compensates; compensating twice is refused")
            if self.compensation != "none" and self.temperature is None:
                raise ValueError(f"compensation {self.compensation!r} needs `temperature`, a channel id")
        elif self.compensation != "none" or self.compensated is not None or self.temperature is not None:
            raise ValueError("compensated, compensation and temperature belong to conductivity only")
        if self.quantity == "tds" and self.tds_scale is None:
            raise ValueError('a TDS value needs `tds_scale` (what its maker assumes), e.g. "nacl"')
        if (self.tds_scale == "own") != (self.tds_factor is not None):
            raise ValueError('`tds_factor` goes with tds_scale = "own", and only with it')
        return self


class Instrument(Table):
    """A device on a wire. `wire` is one of the drivers' settings; `config.py` knows which there are."""

    id: Id
    name: str = ""
    point: Id | None = None
    sump: Id | None = None
    wire: Any
    expected_interval: DurationMs
    channel: Annotated[tuple[Channel, ...], Field(min_length=1)]

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
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("a time zone is a name of the IANA list, like Europe/Vienna or UTC") from None
    return name


class Site(Table):
    """The shop as a whole."""

    id: Id
    name: str
    timezone: Annotated[str, AfterValidator(_known_zone)]
    data: str  # the folder that holds what Goodwater remembers; relative to the site file


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

    def place_of(self, channel: str) -> str:
        """Where a channel measures, in words: its point's, sump's or instrument's label."""
        instrument = self.instrument_of(channel)
        point = self.channels[channel].point or instrument.point
        for place in self.point:
            if place.id == point:
                return place.label
        for sump in self.sump:
            if sump.id == instrument.sump:
                return sump.label
        return instrument.label

    def span_words(self, channel: str) -> str:
        """A channel as a person names it: quantity and place."""
        known = self.channels[channel]
        return known.name or f"{QUANTITIES[known.quantity].name} at {self.place_of(channel)}"
