"""What a shop has, as its site file says it.

A *stage* treats water; stages stand in the file in the order the water takes. A *point* is a place in the
water's way. An *instrument* is a device on a wire and carries one or more *channels*, each one quantity.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Annotated, Any, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, ValidationInfo, field_validator

from monitor.plant.alarms import AlarmSettings
from monitor.plant.channel import Accuracy, Calibration, Channel
from monitor.plant.derived import Derived
from monitor.plant.fields import Id, PositiveDurationMs, RefersTo, Table, Wrong
from monitor.plant.gate import Gate
from monitor.plant.quantities import QUANTITIES
from monitor.plant.stage import Stage, StageKind
from monitor.plant.sump import Coolant, Sump
from monitor.readings import Priority

__all__ = [
    "Accuracy",
    "AlarmSettings",
    "Calibration",
    "Channel",
    "Coolant",
    "Gate",
    "Instrument",
    "Person",
    "Plant",
    "Point",
    "Site",
    "Stage",
    "StageKind",
    "Sump",
]


class Point(Table):
    """A place in the water's way where something is measured."""

    id: Annotated[Id, Field(description="what instruments and channels call it")]
    after: Annotated[Id, RefersTo("stage"), Field(description="the stage whose outlet this is")]
    name: Annotated[str, Field(description="how messages call it; its id where left out")] = ""

    @property
    def label(self) -> str:
        return self.name or self.id


class Instrument(Table):
    """A device on a wire. `wire` is one of the drivers' settings; `config` knows which there are."""

    id: Annotated[Id, Field(description="what rules and commands call it")]
    name: Annotated[str, Field(description="how messages call it; its id where left out")] = ""
    point: Annotated[Id | None, RefersTo("point"), Field(description="where it measures in the train")] = None
    sump: Annotated[
        Id | None, RefersTo("sump"), Field(description="the sump it measures in; a point or a sump, not both")
    ] = None
    wire: Annotated[Any, Field(description="how its values arrive")]
    expected_interval: Annotated[PositiveDurationMs, Field(description="how often it speaks")]
    calibrate_every: Annotated[
        PositiveDurationMs | None,
        Field(description="how often it is to be calibrated; the weekly digest says when that is due"),
    ] = None
    channel: Annotated[tuple[Channel, ...], Field(min_length=1, description="what it measures")]

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

    id: Annotated[Id, Field(description="what the store and commands call them")]
    name: Annotated[str, Field(description="how messages call them; a role will do")]
    priorities: Annotated[tuple[Priority, ...], Field(description="the priorities they are told of")] = (
        "high",
        "medium",
        "low",
    )
    digest: Annotated[
        bool, Field(description="whether they are sent the weekly digest, by each of their ways")
    ] = False
    way: Annotated[tuple[Any, ...], Field(min_length=1, description="how they are told, each way its own")]


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # a folder's name, an empty one, `..`
        raise Wrong("a name of the IANA time zone list, like Europe/Vienna, America/Chicago or UTC") from None
    return name


class Site(Table):
    """The shop as a whole."""

    id: Annotated[
        Id, Field(description="what the broker's session and message ids call the shop; never change it")
    ]
    name: Annotated[str, Field(description="how messages call the shop")]
    timezone: Annotated[
        str,
        AfterValidator(_known_zone),
        Field(description="a name of the IANA list, like Europe/Vienna; messages show this time"),
    ]
    data: Annotated[
        str,
        Field(
            min_length=1, description="the folder for all that Goodwater remembers, relative to the site file"
        ),
    ]


class Plant(Table):
    """Everything the shop has that is not a rule."""

    site: Annotated[Site, Field(description="the shop as a whole")]
    stage: Annotated[tuple[Stage, ...], Field(description="the stages, in the order the water takes")] = ()
    point: Annotated[tuple[Point, ...], Field(description="places in the water's way")] = ()
    coolant: Annotated[tuple[Coolant, ...], Field(description="the coolants, as their sheets say")] = ()
    sump: Annotated[tuple[Sump, ...], Field(description="the machines' coolant sumps")] = ()
    instrument: Annotated[tuple[Instrument, ...], Field(min_length=1, description="what measures")]
    derived: Annotated[
        tuple[Any, ...], Field(description="channels that are computed of others, each after those it needs")
    ] = ()
    person: Annotated[tuple[Person, ...], Field(min_length=1, description="who is told")]
    alarms: Annotated[AlarmSettings, Field(description="how alarms are treated, whatever the rule")] = (
        AlarmSettings()
    )

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """As pydantic's, but without what this plant worked out of its own parts."""
        copied = super().model_copy(update=update, deep=deep)
        for name in copied.__dict__.keys() - type(self).model_fields.keys():
            del copied.__dict__[name]
        return copied

    @cached_property
    def channels(self) -> dict[str, Channel]:
        """All channels by id, in the order of the file; the derived ones behind the instruments'."""
        known = {channel.id: channel for instrument in self.instrument for channel in instrument.channel}
        for one in self.computed.values():
            first = next(iter(one.inputs.values()))
            known[one.id] = one.as_channel(known, known[first].point)
        return known

    @cached_property
    def computed(self) -> dict[str, Derived]:
        """The derived channels by id; one that lacks an input (in a file with mistakes) is left out."""
        known = {channel.id for instrument in self.instrument for channel in instrument.channel}
        found: dict[str, Derived] = {}
        for one in self.derived:
            if one.id not in known and known.issuperset(one.inputs.values()):
                found[one.id] = one
                known.add(one.id)
        return found

    def instrument_of(self, channel: str) -> Instrument:
        """The instrument that carries a channel; of a derived one that of its first input.

        Raises: KeyError when there is none.
        """
        return self._carriers[channel]

    @cached_property
    def _carriers(self) -> dict[str, Instrument]:
        known = {channel.id: instrument for instrument in self.instrument for channel in instrument.channel}
        for one in self.computed.values():
            known[one.id] = known[next(iter(one.inputs.values()))]
        return known

    def interval_of(self, channel: str) -> int:
        """How often a channel speaks, ms; a derived one as often as the slowest of its inputs.

        Raises: KeyError when there is no such channel.
        """
        one = self.computed.get(channel)
        if one is None:
            return self._carriers[channel].expected_interval
        return max(self.interval_of(name) for name in one.inputs.values())

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
        known, one = self.channels[channel], self.computed.get(channel)
        if one is not None:
            return one.name or f"{one.what} at {self.place_of(channel)}"
        return known.name or f"{QUANTITIES[known.quantity].name} at {self.place_of(channel)}"
