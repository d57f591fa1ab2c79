"""Settings of serial text lines: the port, and which of its lines are an instrument's."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, Field, model_validator

from monitor.intake.checksums import CHECKSUMS
from monitor.intake.decoded import NumberText, TimeUnit
from monitor.intake.encoding import line_encoding
from monitor.intake.fit import unfit_values
from monitor.plant.fields import DurationMs, Id, RefersTo, Table, Wrong

DELIMITERS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n", "etx": b"\x03"}


def _delimiter(text: str) -> str:
    if text not in DELIMITERS and not text.isascii():
        raise Wrong('lf, cr, crlf, etx, or a text of at most 8 plain characters, like ";"')
    return text


# What ends a line, by its name or as it is.
Delimiter = Annotated[str, Field(min_length=1, max_length=8), AfterValidator(_delimiter)]


def delimiter_bytes(delimiter: str) -> bytes:
    """The bytes of a delimiter as a site file gives it: `cr` is a carriage return, `;` is itself."""
    return DELIMITERS.get(delimiter) or delimiter.encode("ascii")


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
    encoding: Annotated[str, AfterValidator(line_encoding)] = Field(
        default="ascii",
        description="how the bytes of a line are text: ascii, utf-8, latin-1, cp1252 or another",
    )
    delimiter: Delimiter = Field(
        default="lf",
        description="what ends a line: lf (a cr before it is taken off), cr, crlf, etx (byte 3), or a text "
        "of at most 8 characters",
    )
    trailer: int = Field(
        default=0,
        ge=0,
        le=8,
        description="bytes behind the delimiter that still belong to the line, like the block check behind "
        "an etx; the pattern is then matched with the delimiter and them",
    )
    max_line: int = Field(
        default=256,
        ge=16,
        le=65536,
        description="bytes of the longest line that can be true; longer ones are counted",
    )

    def question(self, ask: str, end: str | None) -> bytes:
        """The bytes of a request. Raises: UnicodeEncodeError when the port's encoding cannot write it."""
        behind = b"" if end == "" else delimiter_bytes(self.delimiter if end is None else end)
        return ask.encode(self.encoding) + behind


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as error:
        raise ValueError(f"this pattern is no regular expression: {error}") from None
    return text


Checksum = Literal[
    "xor", "sum8", "sum16", "lrc", "crc8", "crc8-maxim", "crc16-modbus", "crc16-arc", "crc16-ccitt",
    "crc16-xmodem", "crc32",
]  # fmt: skip
ChecksumForm = Literal["hex", "hex-low-first", "decimal", "bytes", "bytes-low-first"]
assert set(get_args(Checksum)) == set(CHECKSUMS)


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
    units: dict[Id, str] = Field(
        default={},
        description="channel id to the named group with the unit as printed, for a meter that changes from "
        "uS/cm to mS/cm by itself: its value is turned into the channel's unit",
    )
    checksum: Checksum | None = Field(
        default=None,
        description=(
            "how a line proves itself: the group (?P<checksum>...) holds it; it covers the group "
            "(?P<checked>...), or all that stands before it"
        ),
    )
    checksum_form: ChecksumForm = Field(
        default="hex",
        description="how it is written: hex digits, highest first; hex-low-first, its bytes the other way "
        "round; decimal; or bytes (bytes-low-first) as they are, with encoding latin-1 on the port, and then "
        "no space at the line's ends is taken off",
    )
    ask: str | None = Field(
        default=None,
        min_length=1,
        max_length=256,
        description=(
            "text sent to ask for a value, for a meter that speaks only when asked; instruments on one port "
            "are asked one after the other. Only ever a request to read: Goodwater changes no setting and no "
            "output"
        ),
    )
    ask_end: Annotated[str, Field(max_length=8), AfterValidator(_delimiter)] | None = Field(
        default=None,
        description='what is sent behind ask; the port\'s delimiter where left out, "" is nothing',
    )
    ask_every: DurationMs | None = Field(
        default=None, ge=100, description="how often to ask; goes with ask, at least 100 ms"
    )
    timeout: DurationMs = Field(
        default=1000,
        ge=50,
        le=60_000,
        description="longest wait for the answer; until then, and as long again when there was none, nobody "
        "else on the port is asked",
    )

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Wire:
        groups = re.compile(self.pattern).groupindex
        named = ", ".join(groups) or "none"
        wanted = [*self.values.values(), *self.units.values(), *([self.time] if self.time else [])]
        for group in [*wanted, *(["checksum"] if self.checksum is not None else [])]:
            if group not in groups:
                raise ValueError(f'the pattern has no group "{group}"; it has: {named}')
        if (self.ask is None) != (self.ask_every is None):
            raise ValueError("ask and ask_every go together")
        if self.ask is None and self.ask_end is not None:
            raise ValueError("ask_end goes with ask")
        strange = [channel for channel in self.units if channel not in self.values]
        if strange:
            raise ValueError(f"units of {strange[0]}, which has no group in values")
        return self

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        return unfit_values("wire", self.values, channels, "group in the wire's values")

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What each channel is read from, in words; the same source for two channels is a mistake."""
        lines = f'lines that match {self.pattern!r} on port "{self.port}"'
        return {channel: f'group "{group}" of {lines}' for channel, group in self.values.items()}
