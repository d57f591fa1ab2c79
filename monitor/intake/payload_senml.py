"""A payload that is a SenML pack in JSON (RFC 8428)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

from pydantic import Field

from monitor.intake.decoded import (
    MAX_TIME_MS,
    Decoded,
    NumberText,
    Origin,
    Refusal,
    finite,
    merged,
    said,
    shortened,
)
from monitor.intake.fit import unfit_values
from monitor.intake.json_document import document_of, elements_at
from monitor.intake.senml import Record, resolve
from monitor.intake.unit_text import senml_scale
from monitor.plant.channel import Channel
from monitor.plant.fields import Id, Table
from monitor.readings import Count, Status

Name = Annotated[str, Field(min_length=1, max_length=256)]
_AS_TEXT = NumberText()


class SenmlPayload(Table):
    """SenML in JSON. Times, units and names come with it; a value in another unit of its quantity is turned
    into the channel's, one of another quantity is refused.

    A record with an absolute time is stored exactly once, however often it is delivered.
    """

    kind: Literal["senml"] = Field(default="senml", description='"senml": a SenML pack in JSON (RFC 8428)')
    values: dict[Id, Name] = Field(
        default={},
        description="channel id to the name of its records, base name and name together, like "
        '{ "di-out.ec" = "urn:dev:mac:0024befffe804ff1:ec" }',
    )
    sums: dict[Id, Name] = Field(
        default={},
        description='channel id to the name of records whose sum ("s") it is, like the litres of a flow '
        "in l/s",
    )

    def mistakes(self, channels: Sequence[str], together: Sequence[Sequence[str]]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        named = [*self.values, *self.sums]
        unfit = unfit_values("payload", named, channels, "name in the payload's values or sums")
        both = [channel for channel in self.values if channel in self.sums]
        return [*unfit, *(f'channel "{channel}" is in values and in sums' for channel in both)]

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What part of a payload each channel is read from."""
        values = {channel: f'name "{name}"' for channel, name in self.values.items()}
        return values | {channel: f'sum of name "{name}"' for channel, name in self.sums.items()}


def decode_senml(
    payload: SenmlPayload, raw: bytes, channels: Sequence[Channel], origin: Origin
) -> tuple[Decoded, ...]:
    """The records whose names are ours. What has another name is somebody else's and is not counted."""
    document = document_of(raw, origin)
    pack = document if isinstance(document, Count) else elements_at(document, "", origin)
    if isinstance(pack, Count):
        what = "not-senml" if pack.what == "not-an-array" else pack.what
        return (Decoded(problems=(origin.count(what, pack.detail),)),)
    resolved = resolve(pack)
    problems = [origin.count(refusal.what, refusal.detail) for refusal in resolved.refusals]
    values = _ours(payload.values, channels)
    sums = _ours(payload.sums, channels)
    found: list[Decoded] = []
    for record in resolved.records:
        for channel, heard in _heard(record, values.get(record.name), sums.get(record.name)):
            one = heard if isinstance(heard, Refusal) else _at_its_time(record, channel, heard, origin)
            if isinstance(one, Refusal):
                problems.append(origin.count(one.what, f"{channel.id}: {one.detail}"))
            else:
                found.append(one)
    return (Decoded(problems=merged(problems)), *found)


def _ours(names: Mapping[str, str], channels: Sequence[Channel]) -> dict[str, Channel]:
    return {names[channel.id]: channel for channel in channels if channel.id in names}


Heard = tuple[float, Status] | Refusal


def _heard(record: Record, of_value: Channel | None, of_sum: Channel | None) -> list[tuple[Channel, Heard]]:
    """What a record says to the channels of its name; a sum says nothing to the channel of the value."""
    heard: list[tuple[Channel, Heard]] = []
    if of_value is not None and record.value is not None:
        if isinstance(record.value, float):
            heard.append((of_value, _scaled(record.value, record.unit, of_value, of_sum=False)))
        else:
            heard.append((of_value, said(record.value, _AS_TEXT, of_value)))
    if of_sum is not None and record.sum is not None:
        heard.append((of_sum, _scaled(record.sum, record.unit, of_sum, of_sum=True)))
    return heard


def _scaled(value: float, unit: str, channel: Channel, *, of_sum: bool) -> Heard:
    if not unit:
        return value, Status.OK
    scale = senml_scale(unit, channel, of_sum=of_sum)
    if scale is None:
        return Refusal("wrong-unit", f"{shortened(unit)} does not turn into {channel.unit}")
    number = finite(scale.apply(value))
    return number if isinstance(number, Refusal) else (number, Status.OK)


def _at_its_time(
    record: Record, channel: Channel, heard: tuple[float, Status], origin: Origin
) -> Decoded | Refusal:
    """A value at the time its record says. "Now" is the time of arrival, and no time of the value's own."""
    values, statuses = {channel.id: heard[0]}, {channel.id: heard[1]}
    if abs(record.time_s) > MAX_TIME_MS / 1000:  # in milliseconds it may be infinite
        return Refusal("bad-time", f"{record.time_s} s")
    time_ms = record.time_ms
    if time_ms is not None:
        return Decoded(values, time_ms, (), statuses)
    if not record.ago_ms:
        return Decoded(values, None, (), statuses)
    if not 0 <= origin.arrival_ms - record.ago_ms <= MAX_TIME_MS:
        return Refusal("bad-time", f"{record.time_s} s from now")
    return Decoded(values, None, (), statuses, record.ago_ms)
