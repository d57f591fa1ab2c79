"""Readings in files: logger files as the site file describes them, and the plain form.

Which form a file has is seen by its first lines. Logger files go through the reader that reads them live.
"""

from __future__ import annotations

import csv
import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.intake.decoded import merged
from monitor.intake.logger_place import START
from monitor.intake.logger_reader import CHUNK, LoggerFile, in_order
from monitor.intake.logger_rows import Form
from monitor.intake.logger_settings import Logger
from monitor.plant.model import Plant
from monitor.readings import Count, Event, Sample, Tick
from monitor.replay.plain import PlainFile, is_plain
from monitor.replay.stream import MINUTE_MS, as_heard, with_ticks
from monitor.replay.unreadable import Unreadable

# Nobody has a log with a hole like this in it: a time was misread.
_LONGEST_GAP_MS = 5 * 366 * 86_400_000


@dataclass(slots=True)
class Taken:
    """What has been read of the files so far."""

    samples: int = 0
    first_ms: int = 0
    last_ms: int = 0
    problems: list[Count] = field(default_factory=list)

    def refused(self) -> tuple[Count, ...]:
        """What could not be read: of each kind and file one, with how often."""
        return merged(self.problems)


class Files:
    """Files with readings of one plant.

    `zone` is that of times of the plain form that have no offset. Raises: Unreadable with the first thing
    that is wrong.
    """

    def __init__(
        self, paths: Sequence[Path], plant: Plant, loggers: Sequence[Logger], zone: ZoneInfo | None = None
    ) -> None:
        self.taken = Taken()
        self._plant = plant
        self._forms = [Form.of(logger, plant.instrument, plant.site.timezone) for logger in loggers]
        self._logged: dict[str, dict[str, LoggerFile]] = {}
        self._plain: list[PlainFile] = []
        self.channels: frozenset[str] = frozenset()
        for path in dict.fromkeys(paths):
            try:
                self._add(path, zone)
            except OSError as error:
                raise Unreadable(f"{path}: {error.strerror or error}") from error
            except UnicodeDecodeError as error:
                raise Unreadable(f"{path} is not UTF-8 text ({error.reason})") from error

    def _add(self, path: Path, zone: ZoneInfo | None) -> None:
        with path.open("rb") as file:
            start = file.read(CHUNK)
        if not start.strip():
            raise Unreadable(f"{path} is empty")
        heading = _cells(start.split(b"\n")[0])
        if is_plain(heading):
            plain = PlainFile(path, self._plant, zone)
            self.taken.problems += plain.problems
            self._plain.append(plain)
            self.channels |= plain.channels
            return
        if heading[:1] == ["time"] and any(cell.endswith(" quality") for cell in heading):
            raise Unreadable(
                f"{path} is a table of `goodwater export`: its values were compensated and calibrated "
                "already. `goodwater readings` writes them as received"
            )
        form = self._form_of(path, start, heading)
        self._logged.setdefault(form.logger.id, {})[str(path)] = self._file(path, form)

    def _form_of(self, path: Path, start: bytes, heading: Sequence[str]) -> Form:
        """The logger that wrote a file: the one whose columns it has, or whose name it bears."""
        found: list[tuple[int, Form, frozenset[str]]] = []
        for form in self._forms:
            layout = form.layout(form.heading(start.split(b"\n")[: form.heading_lines]))
            if layout.time is not None and layout.columns and form.logger.names:
                found.append((len(layout.columns), form, frozenset(layout.columns)))
            elif not form.logger.names and _bears_name(path, form.logger):
                found.append((len(form.columns), form, frozenset(form.channels)))
        named = [one for one in found if _bears_name(path, one[1].logger)]
        if len(found) > 1 and named:
            found = named
        if not found:
            raise Unreadable(self._unknown(path, heading))
        most = max(number for number, _, _ in found)
        best = [one for one in found if one[0] == most]
        if len(best) > 1:
            names = " and ".join(form.logger.id for _, form, _ in best)
            raise Unreadable(f"{path} may be of the loggers {names} alike; name it like one of their `files`")
        _, form, channels = best[0]
        self.channels |= channels
        return form

    def _unknown(self, path: Path, heading: Sequence[str]) -> str:
        has = ", ".join(heading[:12]) or "nothing"
        wanted = [
            f"[[logger]] {form.logger.id}: {', '.join(map(str, (*form.logger.time, *form.columns.values())))}"
            for form in self._forms
        ]
        rows = "; ".join(wanted) or "this site file has no [[logger]]"
        return (
            f"{path}: its first line says {has}. That is neither the plain form, whose first line begins "
            f"with time,channel,value, nor a logger's: {rows}"
        )

    def _file(self, path: Path, form: Form) -> LoggerFile:
        return LoggerFile(path, path.name, form, lambda: self.taken.last_ms, START, whole=True)

    def events(self) -> Iterator[Event]:
        """All samples in order of time, with the ticks of the clock between them.

        Raises: Unreadable when there is not one.
        """
        timed = self._timed()
        first = next(timed, None)
        if first is None:
            refused = "; ".join(f"{one.n} x {one.what} ({one.detail})" for one in self.taken.refused())
            raise Unreadable(
                f"not one reading could be taken from the files{': ' if refused else ''}{refused}"
            )
        begin_ms = first[0] // MINUTE_MS * MINUTE_MS
        yield from with_ticks(_and(first, timed), begin_ms - MINUTE_MS, 0)
        yield Tick((self.taken.last_ms // MINUTE_MS + 1) * MINUTE_MS)

    def _timed(self) -> Iterator[tuple[int, Sample]]:
        """Each sample with when it is heard: never before the one before it."""
        parts = [plain.samples() for plain in self._plain]
        parts += [self._rows(files) for files in self._logged.values()]
        taken = self.taken
        for at_ms, sample in heapq.merge(*parts, key=lambda one: one[0]):
            if taken.samples and at_ms - taken.last_ms > _LONGEST_GAP_MS:
                raise Unreadable(
                    f"{sample.channel}: a reading of {_date(at_ms)} follows one of {_date(taken.last_ms)}; "
                    "one of the two times was misread"
                )
            taken.first_ms = taken.first_ms if taken.samples else at_ms
            taken.last_ms = max(taken.last_ms, at_ms)
            taken.samples += 1
            yield taken.last_ms, as_heard(sample, taken.last_ms)

    def _rows(self, files: dict[str, LoggerFile]) -> Iterator[tuple[int, Sample]]:
        latest_ms = 0
        for _, row in in_order(files, LoggerFile.next_ms):
            self.taken.problems += row.said.problems
            latest_ms = max(latest_ms, row.place.last_ms)
            for sample in row.said.samples(latest_ms):
                yield latest_ms, sample


def in_words(one: Count) -> str:
    """What could not be read of a file: how often, why, and the first of it."""
    return f"{one.subject}: {one.n} x {one.what} ({one.detail})"


def _and(first: tuple[int, Sample], rest: Iterator[tuple[int, Sample]]) -> Iterator[tuple[int, Sample]]:
    yield first
    yield from rest


def _bears_name(path: Path, logger: Logger) -> bool:
    """Whether a file is called as the logger's files are, wherever it lies."""
    return any(path.match(Path(pattern).name) for pattern in logger.files)


def _cells(line: bytes) -> list[str]:
    text = line.decode("utf-8-sig", "replace").strip("\r\n\0")
    return [cell.strip() for cell in next(csv.reader([text]), [])]


def _date(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC):%Y-%m-%d %H:%M} UTC"
