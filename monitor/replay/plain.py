"""The plain form of readings: `time,channel,value`, a row for each, as `goodwater readings` writes them.

Further columns may follow. `as_received` counts before `value`: it is what the instrument showed, before
compensation and calibration. Without it `value` is what the instrument showed, in its channel's own unit or
in that of a column `unit`. Of `reasons` only those count that the instrument itself gave.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from monitor.intake.decoded import NumberText, Origin, Refusal, said, time_from
from monitor.plant.model import Plant
from monitor.plant.units import UnitError, scale_between
from monitor.readings import Count, Sample, Status
from monitor.replay.unreadable import Unreadable

HEADER = ("time", "channel", "value")
_OWN_REASONS = {
    "device-fault": Status.DEVICE_FAULT,
    "over-range": Status.OVER_RANGE,
    "under-range": Status.UNDER_RANGE,
}
_WRITTEN = NumberText()


def is_plain(heading: Sequence[str]) -> bool:
    """Whether these are the names of the plain form's columns."""
    return tuple(heading[:3]) == HEADER


class PlainFile:
    """All readings of one file, in order of time. Raises: Unreadable, OSError."""

    def __init__(self, path: Path, plant: Plant, zone: ZoneInfo | None) -> None:
        self._path, self._plant, self._zone = path, plant, zone
        self.problems: list[Count] = []
        self._names: dict[str, int] = {}
        self._factors: dict[tuple[str, str], float] = {}
        times: list[int] = []
        rest: list[tuple[int, float, int]] = []
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.reader(file)
            heading = [cell.strip() for cell in next(rows, [])]
            places = {name: place for place, name in enumerate(heading)}
            try:
                for cells in rows:
                    row = self._row(cells, places, rows.line_num)
                    if row is not None:
                        times.append(row[0])
                        rest.append(row[1:])
            except (csv.Error, UnicodeDecodeError) as error:
                raise Unreadable(f"{path}, line {rows.line_num + 1}: {error}") from error
        self._times = np.array(times, dtype=np.int64)
        self._numbers = np.array([number for number, _, _ in rest], dtype=np.int32)
        self._values = np.array([value for _, value, _ in rest], dtype=np.float64)
        self._statuses = np.array([status for _, _, status in rest], dtype=np.int32)

    @property
    def channels(self) -> frozenset[str]:
        """The channels it holds readings of."""
        return frozenset(self._names)

    def samples(self) -> Iterator[tuple[int, Sample]]:
        """Its samples with their times, earliest first; of one time in the file's order."""
        names = list(self._names)
        for k in np.argsort(self._times, kind="stable").tolist():
            at_ms = int(self._times[k])
            name, status = names[int(self._numbers[k])], Status(int(self._statuses[k]))
            yield at_ms, Sample(name, float(self._values[k]), at_ms, at_ms, status)

    def _row(self, cells: list[str], places: dict[str, int], line: int) -> tuple[int, int, float, int] | None:
        if not any(cells):
            return None
        if len(cells) < len(HEADER):
            raise Unreadable(f"{self._path}, line {line}: time, channel and value are needed, not {cells}")
        at_ms = self._time(cells[0].strip(), line)
        name = cells[1].strip()
        if name in self._plant.computed:
            return None  # computed again
        channel = self._plant.channels.get(name)
        if channel is None:
            there = ", ".join(self._plant.channels)
            raise Unreadable(
                f'{self._path}, line {line}: "{name}" is no channel of this site; there are: {there}'
            )
        told = self._cell(cells, places, "as_received")
        factor = 1.0 if told else self._factor(name, self._cell(cells, places, "unit"), line)
        heard = said(told or cells[2], _WRITTEN, channel)
        if isinstance(heard, Refusal):
            origin = Origin(self._path.name, at_ms)
            self.problems.append(origin.count(heard.what, f"line {line}, {name}: {heard.detail}"))
            return None
        value, status = heard
        for reason in self._cell(cells, places, "reasons").split():
            status |= _OWN_REASONS.get(reason, Status.OK)
        return at_ms, self._names.setdefault(name, len(self._names)), value * factor, int(status)

    def _cell(self, cells: list[str], places: dict[str, int], name: str) -> str:
        place = places.get(name)
        return "" if place is None or place >= len(cells) else cells[place].strip()

    def _factor(self, name: str, unit: str, line: int) -> float:
        """From the unit of a row to the channel's own."""
        own = self._plant.channels[name].unit
        if not unit or unit == own:
            return 1.0
        if (name, unit) not in self._factors:
            try:
                scale = scale_between(unit, own)
            except UnitError as error:
                raise Unreadable(f"{self._path}, line {line}, {name}: {error}") from error
            if scale.offset:
                raise Unreadable(
                    f"{self._path}, line {line}, {name}: give the values in {own}, not in {unit}"
                )
            self._factors[name, unit] = scale.factor
        return self._factors[name, unit]

    def _time(self, text: str, line: int) -> int:
        at_ms = time_from(text, "iso")
        if not isinstance(at_ms, Refusal):
            return at_ms
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            moment = None
        if moment is not None and moment.tzinfo is None:
            if self._zone is None:
                raise Unreadable(
                    f'{self._path}, line {line}: the time "{text}" says no offset from UTC; write it as '
                    "2031-02-14T06:30:00+01:00, or say with --timezone in which zone these times are"
                )
            at_ms = time_from(moment.replace(tzinfo=self._zone).isoformat(), "iso")
        if isinstance(at_ms, Refusal):
            raise Unreadable(
                f'{self._path}, line {line}: "{text}" is no time; write 2031-02-14T06:30:00+01:00'
            )
        return at_ms
