"""Settings of serial text lines: the port, and which of its lines are an instrument's."""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from monitor.intake.decoded import NumberText, TimeUnit
from monitor.plant.fields import DurationMs, Id, RefersTo, Table

DELIMITERS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n", "etx": b"\x03"}


def _encoding(name: str) -> str:
    try:
        codecs.lookup(name)
    except LookupError:
        raise ValueError(f'encoding "{name}" is not known; usual are ascii, utf-8, latin-1, cp1252') from None
    return name


class Port(Table):
    """One serial port: instruments write lines of text to it, or it is a Modbus bus."""

    id: Id = Field(description="the name instruments use to say which port they are on")
    device: str = Field(
        min_length=1,
        description="the port's device file; a link in /dev/serial/by-id stays right when plugs are changed",
    )
    baud: int = Field(default=9600, ge=50, le=4_000_000, description="speed, bits per second")
    bytesize: Literal[7, 8] = Field(default=8, description="data bits: 7 or 8")
    parity: Literal["none", "even", "odd"] = Field(
        default="none", description="parity bit: none, even or odd"
    )
    stopbits: Literal[1, 2] = Field(default=1, description="stop bits: 1 or 2")
    encoding: Annotated[str, AfterValidator(_encoding)] = Field(
        default="ascii",
        description="how the bytes of a line are text: ascii, utf-8, latin-1, cp1252 or another",
    )
    delimiter: Literal["lf", "cr", "crlf", "etx"] = Field(
        default="lf",
        description="what ends a line: lf (a cr before it is taken off), cr, crlf, or etx (byte 3)",
    )
    max_line: int = Field(
        default=256,
        ge=16,
        le=65536,
        description="bytes of the longest line that can be true; longer ones are counted",
    )


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as error:
        raise ValueError(f"this pattern is no regular expression: {error}") from None
    return text


class Wire(NumberText):
    """An instrument that writes lines of text to a serial port."""

    kind: Literal["serial-line"] = Field(
        default="serial-line", description='"serial-line": lines of text from a port'
    )
    port: Annotated[Id, RefersTo("serial_port")] = Field(description="id of the [[serial_port]]")
    pattern: Annotated[str, Field(min_length=1, max_length=1024), AfterValidator(_pattern)] = Field(
        description=(
            "regular expression (Python's) that a whole line must match, spaces at its ends apart; named "
            "groups like (?P<ec>[0-9.]+) hold the values"
        )
    )
    values: dict[Id, str] = Field(
        min_length=1, description='channel id to the named group with its value, like { "di-out.ec" = "ec" }'
    )
    time: str | None = Field(
        default=None,
        description="named group with the time of the reading; without it the time of arrival counts",
    )
    time_unit: TimeUnit = Field(
        default="iso",
        description="how that time is written: iso (ISO 8601 with its UTC offset), ms or s since 1970 UTC",
    )
    checksum: Literal["xor", "sum8", "crc16-modbus"] | None = Field(
        default=None,
        description=(
            "how a line proves itself: the group (?P<checksum>...) holds it in hexadecimal digits, highest "
            "first; it covers the group (?P<checked>...), or all that stands before it"
        ),
    )
    ask: str | None = Field(
        default=None,
        min_length=1,
        max_length=256,
        description=(
            "text sent to ask for a value, with the port's delimiter behind it, for a meter that speaks only "
            "when asked. Only ever a request to read: Goodwater changes no setting and no output"
        ),
    )
    ask_every: DurationMs | None = Field(
        default=None, ge=100, description="how often to ask; goes with ask, at least 100 ms"
    )

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Wire:
        groups = re.compile(self.pattern).groupindex
        named = ", ".join(groups) or "none"
        wanted = [*self.values.values(), *([self.time] if self.time is not None else [])]
        for group in [*wanted, *(["checksum"] if self.checksum is not None else [])]:
            if group not in groups:
                raise ValueError(f'the pattern has no group "{group}"; it has: {named}')
        if (self.ask is None) != (self.ask_every is None):
            raise ValueError("ask and ask_every go together")
        return self

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        return [
            f'wire value "{channel}" is no channel of this instrument; it has: {", ".join(channels)}'
            for channel in self.values
            if channel not in channels
        ] + [
            f'channel "{channel}" has no group in the wire\'s values'
            for channel in channels
            if channel not in self.values
        ]

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What each channel is read from, in words; the same source for two channels is a mistake."""
        lines = f'lines that match {self.pattern!r} on port "{self.port}"'
        return {channel: f'group "{group}" of {lines}' for channel, group in self.values.items()}
