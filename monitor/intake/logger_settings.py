"""Settings of logger files: where they lie and how they are written, and which column is whose."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BeforeValidator, Field

from monitor.intake.decoded import NumberText
from monitor.intake.encoding import line_encoding
from monitor.intake.fit import unfit_values
from monitor.plant.fields import Id, PositiveDurationMs, RefersTo, Table, Wrong

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}

Text = Annotated[str, Field(min_length=1, max_length=256)]
_A_COLUMN = "a column: its name in quotes, or its number from 1"


def _column(found: object) -> object:
    named = isinstance(found, str) and 0 < len(found) <= 256
    counted = isinstance(found, int) and not isinstance(found, bool) and 1 <= found <= 10_000
    if named or counted:
        return found
    raise Wrong(_A_COLUMN)


Column = Annotated[str | int, BeforeValidator(_column), Field(description=_A_COLUMN)]


def _time_format(text: str) -> str:
    if text in ("iso", "ms", "s"):
        return text
    example = datetime(2026, 3, 29, 14, 5, 6, tzinfo=UTC)
    read: tuple[int, ...] = ()
    with contextlib.suppress(ValueError, re.error):
        read = datetime.strptime(example.strftime(text), text).timetuple()[:5]  # noqa: DTZ007 - its fields only
    if read != example.timetuple()[:5]:
        raise Wrong('"iso", "ms", "s", or a format with date, hours and minutes, like "%d.%m.%Y %H:%M:%S"')
    return text


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, OSError, ValueError):
        raise Wrong("a name of the IANA time zone list, like Europe/Vienna, Etc/GMT-1 or UTC") from None
    return name


class Logger(NumberText):
    """Files that a logger writes: text with one row for each time and one column for each quantity."""

    id: Id = Field(description="the name instruments use to say which logger they are in")
    files: tuple[Text, ...] = Field(
        min_length=1,
        description="the files, relative to the site file; * stands for any text, so that new files of a "
        'folder are taken as they come: ["logger/train-*.csv"]. Only ever read',
    )
    delimiter: Literal["comma", "semicolon", "tab"] = Field(
        default="comma", description="what stands between two columns: comma, semicolon or tab"
    )
    encoding: Annotated[str, AfterValidator(line_encoding)] = Field(
        default="utf-8", description="how the bytes are text: utf-8, latin-1, cp1252 or another"
    )
    skip_lines: int = Field(
        default=0, ge=0, le=100, description="lines above the columns' names, or above the first row"
    )
    names: bool = Field(
        default=True, description="whether a line names the columns; without it columns are given by number"
    )
    unit_row: bool = Field(
        default=False,
        description="whether a line of units follows the names; a column in another unit than its channel's "
        "is not read",
    )
    time: tuple[Column, ...] = Field(
        min_length=1,
        max_length=2,
        description='the column with the time by name, or by number from 1; ["date", "time"] where it is two',
    )
    time_format: Annotated[Text, AfterValidator(_time_format)] = Field(
        default="iso",
        description="how it is written: iso (ISO 8601), ms or s since 1970 UTC, or a format like "
        '"%d.%m.%Y %H:%M:%S"; two columns are joined by a space',
    )
    timezone: Annotated[str, AfterValidator(_zone)] | None = Field(
        default=None,
        description="the zone of times without an offset, the site's where left out; for a logger that "
        "stays in winter time a fixed one like Etc/GMT-1 (which is one hour ahead of UTC)",
    )
    every: PositiveDurationMs = Field(default=10_000, description="how often to look for new rows")


class Wire(Table):
    """An instrument whose readings a logger writes to files."""

    kind: Literal["logger-file"] = Field(
        default="logger-file", description='"logger-file": rows of files that a logger writes'
    )
    logger: Annotated[Id, RefersTo("logger")] = Field(description="id of the [[logger]]")
    values: dict[Id, Column] = Field(
        min_length=1,
        description='channel id to its column by name, or by number from 1, like { "di-out.ec" = "EC DI" }',
    )

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        return unfit_values("wire", self.values, channels, "column in the wire's values")

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What each channel is read from, in words; the same source for two channels is a mistake."""
        return {
            channel: f'column "{column}" of logger "{self.logger}"' for channel, column in self.values.items()
        }
