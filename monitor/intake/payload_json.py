"""A payload that is JSON, its values and its time found by RFC 6901 pointers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from monitor.intake.decoded import Decoded, NumberText, Origin, Refusal, TimeUnit, merged, said
from monitor.intake.fit import unfit_values
from monitor.intake.json_document import ABSENT, Pointer, at_pointer, document_of, elements_at, time_of
from monitor.plant.channel import Channel
from monitor.plant.fields import Id
from monitor.readings import Count, Status


class JsonPayload(NumberText):
    """JSON with a value for each channel, and possibly the time of the reading.

    A payload that carries its own time is stored exactly once, however often it is delivered.
    """

    kind: Literal["json"] = Field(
        default="json", description='"json": values and time are found by JSON pointers'
    )
    values: dict[Id, Pointer] = Field(
        min_length=1, description='channel id to JSON pointer (RFC 6901), like { "di-out.ec" = "/ec" }'
    )
    each: Pointer | None = Field(
        default=None,
        description="JSON pointer to an array of readings, each with its own time ("
        '"" is the whole message); the other pointers are then looked for in each of its elements',
    )
    time: Pointer | None = Field(
        default=None,
        description=(
            "JSON pointer to the time of the reading (with each: in the element, else in the whole message); "
            "without it a reading gets the time of its arrival, and "
            "what was delivered late is stored as uncertain and not judged"
        ),
    )
    time_unit: TimeUnit = Field(
        default="ms",
        description="how that time is written: ms or s since 1970 UTC, or iso (ISO 8601 with its UTC offset)",
    )

    def mistakes(self, channels: Sequence[str], together: Sequence[Sequence[str]]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        return unfit_values("payload", self.values, channels, "pointer in the payload's values")

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What part of a payload each channel is read from."""
        inside = "" if self.each is None else f' of each of "{self.each}"'
        return {channel: f'pointer "{pointer}"{inside}' for channel, pointer in self.values.items()}


def decode_json(
    payload: JsonPayload, raw: bytes, channels: Sequence[Channel], origin: Origin
) -> tuple[Decoded, ...]:
    """All values and times of one JSON payload; one that is missing or wrong does not harm the others."""
    document = document_of(raw, origin)
    if isinstance(document, Count):
        return (Decoded(problems=(document,)),)
    if payload.each is None:
        return (_reading(payload, document, document, channels, origin),)
    elements = elements_at(document, payload.each, origin)
    if isinstance(elements, Count):
        return (Decoded(problems=(elements,)),)
    found = [_reading(payload, element, document, channels, origin) for element in elements]
    problems = merged(problem for one in found for problem in one.problems if _counts(one, problem))
    return (
        Decoded(problems=problems),
        *(Decoded(one.values, one.time_ms, (), one.statuses) for one in found if one.values),
    )


def _counts(element: Decoded, problem: Count) -> bool:
    """In an array every element may hold another quantity; one that holds none of ours is counted."""
    return problem.what != "missing-value" or not element.values


def _reading(
    payload: JsonPayload, element: object, document: object, channels: Sequence[Channel], origin: Origin
) -> Decoded:
    values: dict[str, float] = {}
    statuses: dict[str, Status] = {}
    problems: list[Count] = []
    for channel in channels:
        pointer = payload.values[channel.id]
        found = at_pointer(element, pointer)
        if found is ABSENT:
            problems.append(origin.count("missing-value", f"nothing at {pointer} for {channel.id}"))
            continue
        heard = said(found, payload, channel)
        if isinstance(heard, Refusal):
            problems.append(origin.count(heard.what, f"{channel.id}: {heard.detail}"))
        else:
            values[channel.id], statuses[channel.id] = heard
    time_ms = time_of(payload.time, payload.time_unit, element, document, origin)
    if isinstance(time_ms, Count):  # its values are kept, with the time of their arrival
        problems.append(time_ms)
        time_ms = None
    return Decoded(values, time_ms, tuple(problems), statuses)
