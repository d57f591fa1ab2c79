"""A payload that is JSON, its values and its time found by RFC 6901 pointers."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import AfterValidator, Field
from pydantic_core import from_json

from monitor.intake.decoded import (
    Decoded,
    NumberText,
    Origin,
    Refusal,
    TimeUnit,
    said,
    shortened,
    time_from,
)
from monitor.plant.fields import Id
from monitor.readings import Count, Status

_POINTER = re.compile(r"(/([^~/]|~[01])*)*")
_INDEX = re.compile(r"0|[1-9][0-9]{0,5}")


def _pointer(text: str) -> str:
    if _POINTER.fullmatch(text):
        return text
    raise ValueError(
        f'"{text}" is no JSON pointer (RFC 6901): write "/key", "/key/0" or "/outer/inner"; '
        'a "/" inside a key is written "~1" and a "~" is written "~0"'
    )


Pointer = Annotated[str, Field(max_length=256), AfterValidator(_pointer)]


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
    time: Pointer | None = Field(
        default=None,
        description=(
            "JSON pointer to the time of the reading; without it a reading gets the time of its arrival, and "
            "what was delivered late is stored as uncertain and not judged"
        ),
    )
    time_unit: TimeUnit = Field(
        default="ms",
        description="how that time is written: ms or s since 1970 UTC, or iso (ISO 8601 with its UTC offset)",
    )

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        return [
            f'payload value "{channel}" is no channel of this instrument; it has: {", ".join(channels)}'
            for channel in self.values
            if channel not in channels
        ] + [
            f'channel "{channel}" has no pointer in the payload\'s values'
            for channel in channels
            if channel not in self.values
        ]

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What part of a payload each channel is read from."""
        return {channel: f'pointer "{pointer}"' for channel, pointer in self.values.items()}


_ABSENT = object()


@lru_cache(maxsize=4096)
def tokens(pointer: str) -> tuple[str, ...]:
    """A valid pointer's reference tokens: `/a~1b/0` as `("a/b", "0")`."""
    return tuple(part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:])


def at_pointer(document: object, pointer: str) -> object:
    """What a pointer names in a document; `_ABSENT` when there is nothing."""
    found = document
    for token in tokens(pointer):
        if isinstance(found, dict):
            found = found.get(token, _ABSENT)
        elif isinstance(found, list) and _INDEX.fullmatch(token) and int(token) < len(found):
            found = found[int(token)]
        else:
            return _ABSENT
    return found


def decode_json(
    payload: JsonPayload, raw: bytes, channels: Sequence[str], contacts: Collection[str], origin: Origin
) -> Decoded:
    """All values and the time of one JSON payload; one that is missing or wrong does not harm the others."""
    try:
        document = from_json(raw.removeprefix(b"\xef\xbb\xbf"), allow_inf_nan=True)
    except ValueError as error:
        return Decoded(problems=(origin.count("not-json", f"{error}: {shortened(raw)}"[:160]),))
    values: dict[str, float] = {}
    statuses: dict[str, Status] = {}
    problems: list[Count] = []
    for channel, pointer in payload.values.items():
        found = at_pointer(document, pointer)
        if found is _ABSENT:
            problems.append(origin.count("missing-value", f"nothing at {pointer} for {channel}"))
            continue
        heard = said(found, payload, contact=channel in contacts)
        if isinstance(heard, Refusal):
            problems.append(origin.count(heard.what, f"{channel}: {heard.detail}"))
        else:
            values[channel], statuses[channel] = heard
    time_ms = _time(document, payload, origin, problems)
    return Decoded(values, time_ms, tuple(problems), statuses)


def _time(document: object, payload: JsonPayload, origin: Origin, problems: list[Count]) -> int | None:
    """The payload's time. Without a good one its values are kept, with the time of their arrival."""
    if payload.time is None:
        return None
    found = at_pointer(document, payload.time)
    if found is _ABSENT:
        problems.append(origin.count("missing-time", f"nothing at {payload.time}"))
        return None
    time_ms = time_from(found, payload.time_unit)
    if isinstance(time_ms, Refusal):
        problems.append(origin.count(time_ms.what, f"{time_ms.detail} is no time in {payload.time_unit}"))
        return None
    return time_ms
