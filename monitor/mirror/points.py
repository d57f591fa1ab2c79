"""What goes to the server: strands of points, and their lines in InfluxDB's line protocol.

A *strand* is followed, sent and compared by itself: one channel's readings, all alarm events, one
instrument's health. Its points lie in one series on the server, or, where `keys` says so, in one for each
combination of those tags. All fields are floats, so that no server finds two types in one field.

Line protocol: https://docs.influxdata.com/influxdb/v2/reference/syntax/line-protocol/
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from monitor.plant.model import Instrument, Plant
from monitor.plant.quantities import QUANTITIES

What = Literal["readings", "alarms", "health"]

READING, ALARM, HEALTH = "goodwater_reading", "goodwater_alarm", "goodwater_health"
HOUR_MS = 3_600_000

FIELDS = {
    READING: ("value", "quality", "judged"),
    ALARM: ("state", "occurrence", "step", "confidence"),
    HEALTH: ("readings", "expected", "good", "uncertain", "bad", "longest_gap_s"),
}


@dataclass(frozen=True, slots=True)
class Strand:
    """One sequence of points in time."""

    name: str  # what its place in the ledger is kept under
    measurement: str
    of: str  # the channel or instrument; empty for alarms
    match: tuple[tuple[str, str], ...]  # tags that find it on the server; they never change
    keys: tuple[str, ...]  # tags that tell its series apart
    head: str  # measurement and tags as a line begins; alarms add their own tags

    @property
    def fields(self) -> tuple[str, ...]:
        return FIELDS[self.measurement]


@dataclass(frozen=True, slots=True)
class Point:
    """One moment of a strand."""

    key: tuple[str, ...]  # the values of the strand's `keys`
    time_ms: int
    values: tuple[float, ...]  # in the order of the strand's `fields`
    line: str
    in_order: bool = True  # sent by following; what is not is sent because a revision names it


def strands(plant: Plant, what: Iterable[What]) -> list[Strand]:
    """What is mirrored of a plant, by the names a site file uses for it."""
    made: list[Strand] = []
    if "readings" in what:
        made += [_reading(plant, channel) for channel in plant.channels]
    if "alarms" in what:
        site = (("site", plant.site.id),)
        made.append(Strand("alarm", ALARM, "", site, ("condition", "cause"), head(ALARM, dict(site))))
    if "health" in what:
        made += [_health(plant, instrument) for instrument in plant.instrument]
    return made


def _reading(plant: Plant, channel: str) -> Strand:
    quantity = plant.channels[channel].quantity
    instrument = plant.instrument_of(channel)
    point = plant.point_of(channel)
    tags = {
        "site": plant.site.id,
        "channel": channel,
        "instrument": instrument.id,
        "point": point.id if point is not None else "",
        "sump": (instrument.sump or "") if point is None else "",
        "quantity": quantity,
        "unit": QUANTITIES[quantity].unit,
    }
    match = (("site", plant.site.id), ("channel", channel))
    return Strand(f"reading {channel}", READING, channel, match, (), head(READING, tags))


def _health(plant: Plant, instrument: Instrument) -> Strand:
    tags = {
        "site": plant.site.id,
        "instrument": instrument.id,
        "point": instrument.point or "",
        "sump": instrument.sump or "",
    }
    match = (("site", plant.site.id), ("instrument", instrument.id))
    return Strand(f"health {instrument.id}", HEALTH, instrument.id, match, (), head(HEALTH, tags))


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags as a line begins; an empty tag is left out, as the protocol wants it."""
    escaped = {name: _escaped(value) for name, value in tags.items()}
    return ",".join([measurement, *(f"{name}={value}" for name, value in escaped.items() if value)])


def _escaped(text: str) -> str:
    # Servers differ in what a backslash before a space, a comma or the end means, and a line break would end
    # the line.
    text = "".join(c if c.isprintable() else " " for c in text).replace("\\", "/")
    return text.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


def line(begin: str, fields: tuple[str, ...], values: tuple[float, ...], time_ms: int) -> str:
    """One line; the whole of a double goes out."""
    pairs = ",".join(f"{name}={value!r}" for name, value in zip(fields, values, strict=True))
    return f"{begin} {pairs} {time_ms}"


def sendable(values: tuple[float, ...]) -> bool:
    """Line protocol knows neither infinity nor "not a number"."""
    return all(math.isfinite(value) for value in values)
