"""Rows of a logger's file: which column is whose, and what a line says. Pure; no file needed."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.intake.decoded import MAX_TIME_MS, Decoded, Origin, Refusal, said, shortened, time_from
from monitor.intake.logger_settings import DELIMITERS, Column, Logger, Wire
from monitor.plant import units
from monitor.plant.model import Channel, Instrument
from monitor.plant.quantities import QUANTITIES
from monitor.readings import Count, Status

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Heading:
    """The lines above the rows: the columns' names and units as written; empty where there are none."""

    names: tuple[str, ...] = ()
    units: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Layout:
    """Where in a row everything stands, counted from 0."""

    time: tuple[int, ...] | None  # None: this file has no such column, nothing in it can be read
    columns: Mapping[str, int]  # by channel
    refused: Mapping[str, str]  # channels whose column is in another unit, and which


class Form:
    """How one logger writes: from lines to values. `channels` are those that are read from it."""

    def __init__(
        self, logger: Logger, columns: Mapping[str, Column], channels: Mapping[str, Channel], zone: str
    ) -> None:
        self.logger = logger
        self.columns = columns
        self.channels = channels
        self.zone = logger.timezone or zone
        self._zone = ZoneInfo(self.zone)
        first = logger.time[0]
        self._mark_of_heading = first.encode(logger.encoding, "replace") if isinstance(first, str) else None

    @classmethod
    def of(cls, logger: Logger, instruments: Iterable[Instrument], zone: str) -> Form:
        """How a logger writes what these instruments, those of them whose wire is in it, measure."""
        here = [i for i in instruments if isinstance(i.wire, Wire) and i.wire.logger == logger.id]
        columns: dict[str, Column] = {}
        for instrument in here:
            columns |= instrument.wire.values
        channels = {channel.id: channel for i in here for channel in i.channel if channel.id in columns}
        return cls(logger, columns, channels, zone)

    @property
    def heading_lines(self) -> int:
        """Lines before the first row."""
        return self.logger.skip_lines + self.logger.names + self.logger.unit_row

    def heading(self, lines: Sequence[bytes]) -> Heading:
        """What the lines before the first row say."""
        below = [self.cells_of(line) for line in lines[self.logger.skip_lines :]]
        names = below.pop(0) if self.logger.names else ()
        return Heading(names, below.pop(0) if self.logger.unit_row else ())

    def layout(self, heading: Heading) -> Layout:
        """The places of time and channels under a heading; what has no column there is left out."""
        time = [self._place(column, heading) for column in self.logger.time]
        columns: dict[str, int] = {}
        refused: dict[str, str] = {}
        for channel, column in self.columns.items():
            place = self._place(column, heading)
            if place is None:
                continue
            unit = heading.units[place] if place < len(heading.units) else ""
            if same_unit(unit, self.channels[channel].unit):
                columns[channel] = place
            else:
                refused[channel] = unit
        places = tuple(place for place in time if place is not None)
        return Layout(places if len(places) == len(time) else None, columns, refused)

    def _place(self, column: Column, heading: Heading) -> int | None:
        if isinstance(column, int):
            return column - 1
        return heading.names.index(column) if column in heading.names else None

    def is_heading(self, line: bytes, layout: Layout) -> bool:
        """A line that names the columns again, as loggers write it when they are started anew."""
        if layout.time is None or self._mark_of_heading is None or self._mark_of_heading not in line:
            return False
        return self.logger.time[0] in self.cells_of(line)

    def cells_of(self, line: bytes) -> tuple[str, ...]:
        """The cells of a line of a heading; bytes that are no text are shown as such."""
        return tuple(self._cells(line.decode(self.logger.encoding, "replace")))

    def _cells(self, text: str) -> list[str]:
        try:
            (cells,) = csv.reader([text.strip("\r\n\0\ufeff")], delimiter=DELIMITERS[self.logger.delimiter])
        except (csv.Error, ValueError):  # an empty line has no row
            return []
        return [cell.strip() for cell in cells]

    def row(self, line: bytes, layout: Layout, last_ms: int, origin: Origin) -> Decoded:
        """What a line says. `last_ms` is the time of the row before it; without a time nothing is read."""
        try:
            cells = self._cells(line.decode(self.logger.encoding))
        except UnicodeDecodeError:
            return Decoded(problems=(origin.count("undecodable-line", shortened(line)),))
        if layout.time is None or not any(cells):
            return Decoded()
        if max(layout.time) >= len(cells):
            return Decoded(problems=(origin.count("short-row", shortened(line)),))
        time_ms = self._time(" ".join(cells[place] for place in layout.time), last_ms)
        if isinstance(time_ms, Refusal):
            return Decoded(problems=(origin.count(time_ms.what, time_ms.detail),))
        return self._values(cells, layout, time_ms, origin)

    def _values(self, cells: list[str], layout: Layout, time_ms: int, origin: Origin) -> Decoded:
        values: dict[str, float] = {}
        statuses: dict[str, Status] = {}
        problems: list[Count] = []
        missing = [channel for channel, place in layout.columns.items() if place >= len(cells)]
        if missing:
            problems.append(origin.count("short-row", f"{len(cells)} columns, nothing for {missing[0]}"))
        for channel, place in layout.columns.items():
            if place >= len(cells) or not cells[place]:
                continue  # a cell left empty is a value that was not there
            heard = said(cells[place], self.logger, self.channels[channel])
            if isinstance(heard, Refusal):
                problems.append(origin.count(heard.what, f"{channel}: {heard.detail}"))
            else:
                values[channel], statuses[channel] = heard
        return Decoded(values, time_ms, tuple(problems), statuses)

    def _time(self, text: str, last_ms: int) -> int | Refusal:
        form = self.logger.time_format
        if form == "ms" or form == "s":
            return time_from(text, "ms" if form == "ms" else "s")
        try:
            moment = datetime.fromisoformat(text) if form == "iso" else datetime.strptime(text, form)  # noqa: DTZ007 - its zone is given below
            time_ms = self._utc_ms(moment, last_ms)
        except (ValueError, OverflowError):
            return Refusal("bad-time", shortened(text))
        return time_ms if 0 <= time_ms <= MAX_TIME_MS else Refusal("bad-time", shortened(text))

    def _utc_ms(self, moment: datetime, last_ms: int) -> int:
        """A moment without an offset is in the logger's zone. The hour that comes twice in autumn is the
        second one once a row would not be later than the one before it."""
        if moment.tzinfo is not None:
            return _ms(moment)
        local = moment.replace(tzinfo=self._zone)
        first, second = _ms(local), _ms(local.replace(fold=1))
        return second if first <= last_ms < second else first


def _ms(moment: datetime) -> int:
    return (moment - _EPOCH) // timedelta(milliseconds=1)


def same_unit(written: str, unit: str) -> bool:
    """Whether a unit as a logger writes it is the channel's; what is no unit of water's is taken as such.

    >>> same_unit("[uS/cm]", "uS/cm"), same_unit("mS/cm", "uS/cm"), same_unit("", "uS/cm")
    (True, False, True)
    """
    text = written.strip(" []()")
    if not any(_turns_into(text, quantity.unit) for quantity in QUANTITIES.values()):
        return True
    scale = _turns_into(text, unit)
    return scale is not None and abs(scale.factor - 1.0) < 1e-9 and abs(scale.offset) < 1e-9


def _turns_into(text: str, unit: str) -> units.Scale | None:
    try:
        return units.scale_between(text, unit) if text else None
    except units.UnitError:
        return None
