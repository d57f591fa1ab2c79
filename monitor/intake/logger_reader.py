"""One file of a logger: its rows from a place on, while it grows, is replaced, or gets another name."""

from __future__ import annotations

import heapq
import logging
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from monitor.intake.decoded import Decoded, Origin
from monitor.intake.logger_place import PROOF_BYTES, START, Place, proof_of
from monitor.intake.logger_rows import Form, Heading, Layout

log = logging.getLogger(__name__)

CHUNK = 64 * 1024  # read at once; a longer line is none
GLANCE = 2 * 1024  # enough to know the time of the next row of each of many files


@dataclass(frozen=True, slots=True)
class Row:
    """What one line says, and where the file goes on behind it."""

    said: Decoded
    place: Place  # without its proof
    read: bytes  # what was read together with it, from `begins` on
    begins: int

    @property
    def proven(self) -> Place:
        """The place with the proof of what lies before it."""
        return replace(self.place, proof=proof_of(self.read[: self.place.offset - self.begins]))


class LoggerFile:
    """Reads one file. Holds no file open between two looks, and the rows of one chunk at most.

    A line counts once its end is there: a logger may be in the middle of a number. `whole`: nobody writes to
    the file any more, so that its last line counts as it is.
    """

    def __init__(
        self,
        path: Path,
        name: str,
        form: Form,
        now_ms: Callable[[], int],
        place: Place,
        *,
        whole: bool = False,
    ) -> None:
        self.path = path
        self.name = name
        self._form = form
        self._now_ms = now_ms
        self._rows: deque[Row] = deque()
        self._at = place
        self._size_seen = -1
        self._in_long_line = False
        self._units_follow = False
        self._whole, self._ended = whole, False
        self.layout: Layout | None = form.layout(place.heading) if place.heading is not None else None

    def has_grown(self) -> bool:
        """There may be rows that were not read yet.

        Raises: OSError when the file cannot be looked at.
        """
        size = self.path.stat().st_size
        changed = size != self._size_seen
        self._size_seen = size
        return changed or bool(self._rows)

    def goes_on_in(self, path: Path) -> bool:
        """Whether another file holds what was read of this one: it was renamed."""
        try:
            with path.open("rb") as file:
                return self._at.offset > 0 and self._before(file) is not None
        except OSError:
            return False

    def next_ms(self) -> int | None:
        """The time of the next row (of the last one, for a line without a time); None when there is none.

        Raises: OSError when the file cannot be read.
        """
        size = GLANCE
        while not self._rows and self._load(size):
            size = CHUNK
        return self._rows[0].place.last_ms if self._rows else None

    def take(self) -> Row:
        """The next row, after `next_ms` told that there is one."""
        return self._rows.popleft()

    def look_again(self) -> None:
        """What could not be read may be readable at the next look, without having grown."""
        self._size_seen = -1

    @property
    def readable(self) -> bool:
        """Nothing has been in the way of the last look."""
        return self._size_seen >= 0

    def _before(self, file: BinaryIO) -> bytes | None:
        """The bytes that prove the place; None when the file does not hold them there."""
        begins = max(0, self._at.offset - PROOF_BYTES)
        file.seek(begins)
        before = file.read(self._at.offset - begins)
        proven = len(before) == self._at.offset - begins and proof_of(before) == self._at.proof
        return before if proven or not self._at.offset else None

    def _load(self, size: int) -> bool:
        """Read up to `size` bytes; whether that led on in the file."""
        if self._ended:
            return False
        with self.path.open("rb") as file:
            before = self._before(file)
            if before is None:
                log.info("%s was written anew: read from its beginning", self.path)
                self._at, self.layout, self._in_long_line = START, None, False
                file.seek(0)
            chunk = file.read(size)
        before = before or b""
        if self._whole and len(chunk) < size:
            self._ended, chunk = True, chunk if chunk.endswith(b"\n") else chunk + b"\n"
        began = self._at.offset
        self._take_heading(chunk)
        self._take_lines(before, began, chunk, is_full=len(chunk) == size)
        taken = self._at.offset - began
        if taken:
            self._at = replace(self._at, proof=proof_of(before + chunk[:taken]))
        return taken > 0

    def _take_heading(self, chunk: bytes) -> None:
        """Read the lines above the rows, once they are all there."""
        if self._at.heading is not None:
            return
        lines = chunk.split(b"\n")[: self._form.heading_lines + 1]
        if len(lines) > self._form.heading_lines:
            above = lines[: self._form.heading_lines]
            heading = self._form.heading(above)
            self._at = replace(self._at, offset=sum(len(line) + 1 for line in above), heading=heading)
            self.layout = self._form.layout(heading)

    def _take_lines(self, before: bytes, began: int, chunk: bytes, *, is_full: bool) -> None:
        """Turn the whole lines of a chunk into rows."""
        if self.layout is None:
            return
        rest = chunk[self._at.offset - began :]
        if b"\n" not in rest:
            # Loggers that write on into a file made beforehand leave zeros behind the last row.
            if is_full and rest.strip(b"\0"):
                self._at = replace(self._at, offset=began + len(chunk))
                self._in_long_line = True
            return
        origin = Origin(self.name, self._now_ms())
        read, begins = before + chunk, began - len(before)
        for line in rest[: rest.rindex(b"\n")].split(b"\n"):
            self._at = replace(self._at, offset=self._at.offset + len(line) + 1)
            said = self._line(line, self.layout, origin)
            if said.values or said.problems:
                self._at = replace(self._at, last_ms=said.time_ms or self._at.last_ms)
                self._rows.append(Row(said, self._at, read, begins))

    def _line(self, line: bytes, layout: Layout, origin: Origin) -> Decoded:
        if self._in_long_line:
            self._in_long_line = False
            return Decoded(problems=(origin.count("line-too-long", f"more than {CHUNK} bytes"),))
        heading = self._at.heading or Heading()
        if self._units_follow:
            self._units_follow = False
            self._begin_under(replace(heading, units=self._form.cells_of(line)))
            return Decoded()
        if self._form.is_heading(line, layout):
            self._units_follow = self._form.logger.unit_row
            self._begin_under(replace(heading, names=self._form.cells_of(line)))
            return Decoded()
        return self._form.row(line, layout, self._at.last_ms, origin)

    def _begin_under(self, heading: Heading) -> None:
        """Go on under another heading in the same file."""
        self._at = replace(self._at, heading=heading)
        self.layout = self._form.layout(heading)


def in_order(
    files: Mapping[str, LoggerFile], next_ms: Callable[[LoggerFile], int | None]
) -> Iterator[tuple[str, Row]]:
    """The rows of several files in order of time, each with its file's name.

    `next_ms` looks at a file's next row, and may pass a file over for now.
    """
    waiting = [(time_ms, name) for name, file in files.items() if (time_ms := next_ms(file)) is not None]
    heapq.heapify(waiting)
    while waiting:
        _, name = heapq.heappop(waiting)
        file = files[name]
        yield name, file.take()
        if (time_ms := next_ms(file)) is not None:
            heapq.heappush(waiting, (time_ms, name))
