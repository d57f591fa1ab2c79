"""A payload that is a JSON array of named values, as gateways send it: `[{"id": "EC1", "v": 4.9}, ...]`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from monitor.intake.decoded import Decoded, NumberText, Origin, Refusal, TimeUnit, merged, said
from monitor.intake.fit import unfit_values
from monitor.intake.json_document import ABSENT, Pointer, at_pointer, document_of, elements_at, time_of
from monitor.plant.channel import Channel
from monitor.plant.fields import Id
from monitor.readings import Count

Name = Annotated[str, Field(min_length=1, max_length=256)]


class NamedPayload(NumberText):
    """JSON with an array whose elements say by a name whose value they hold, in any order and number."""

    kind: Literal["json-named"] = Field(
        default="json-named", description='"json-named": a JSON array of elements with a name and a value'
    )
    each: Pointer = Field(
        default="", description="JSON pointer (RFC 6901) to the array; the whole message where left out"
    )
    name: Pointer = Field(description='JSON pointer, within an element, to the name, like "/id"')
    value: Pointer = Field(description='JSON pointer, within an element, to the value, like "/v"')
    values: dict[Id, Name] = Field(
        min_length=1, description='channel id to the name it has there, like { "di-out.ec" = "EC1" }'
    )
    time: Pointer | None = Field(
        default=None,
        description="JSON pointer to the time, in the element, else in the whole message; without it a "
        "reading gets the time of its arrival",
    )
    time_unit: TimeUnit = Field(
        default="ms",
        description="how that time is written: ms or s since 1970 UTC, or iso (ISO 8601 with its UTC offset)",
    )

    def mistakes(self, channels: Sequence[str], together: Sequence[Sequence[str]]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        return unfit_values("payload", self.values, channels, "name in the payload's values")

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What part of a payload each channel is read from."""
        return {channel: f'name "{name}" in "{self.each}"' for channel, name in self.values.items()}


def decode_named(
    payload: NamedPayload, raw: bytes, channels: Sequence[Channel], origin: Origin
) -> tuple[Decoded, ...]:
    """The values whose names are ours. What has another name is somebody else's and is not counted."""
    document = document_of(raw, origin)
    elements = document if isinstance(document, Count) else elements_at(document, payload.each, origin)
    if isinstance(elements, Count):
        return (Decoded(problems=(elements,)),)
    ours = {payload.values[channel.id]: channel for channel in channels}
    found: list[Decoded] = []
    problems: list[Count] = []
    for element in elements:
        channel = ours.get(_name_of(element, payload.name))
        if channel is None:
            continue
        value = at_pointer(element, payload.value)
        if value is ABSENT:
            problems.append(origin.count("missing-value", f"nothing at {payload.value} for {channel.id}"))
            continue
        heard = said(value, payload, channel)
        if isinstance(heard, Refusal):
            problems.append(origin.count(heard.what, f"{channel.id}: {heard.detail}"))
            continue
        time_ms = time_of(payload.time, payload.time_unit, element, document, origin)
        if isinstance(time_ms, Count):
            problems.append(time_ms)
            time_ms = None
        found.append(Decoded({channel.id: heard[0]}, time_ms, (), {channel.id: heard[1]}))
    return (Decoded(problems=merged(problems)), *found)


def _name_of(element: object, pointer: str) -> str:
    """An element's name; a whole number will do, and nothing is no name."""
    found = at_pointer(element, pointer)
    if isinstance(found, int) and not isinstance(found, bool) and abs(found) < 10**18:
        return str(found)
    return found if isinstance(found, str) else ""
