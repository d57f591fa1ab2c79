"""Readings from files that a logger writes: what is in them, then what comes."""

from __future__ import annotations

import glob
import hashlib
import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar

from monitor.clock import Clock
from monitor.intake.delays import Delays, growing_delays
from monitor.intake.driver import Parcel, Sink
from monitor.intake.link import Link
from monitor.intake.logger_place import START, Place, load_places, save_places
from monitor.intake.logger_reader import LoggerFile, Row, in_order
from monitor.intake.logger_rows import Form
from monitor.intake.logger_settings import Logger
from monitor.plant.model import Instrument
from monitor.readings import Count, Sample

log = logging.getLogger(__name__)

MOST_SAMPLES = 500  # in one Parcel
SAVE_S = 2.0  # places are kept at most so often while much is read

T = TypeVar("T")


class _Gathered:
    """Rows on their way into one Parcel."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.counts: list[Count] = []
        self.last: dict[str, Row] = {}  # by file


class LoggerFileDriver:
    """All files of one logger, in one thread: rows of several files are handed over in order of time.

    `instruments` are those whose wire is a `Wire` on this logger; `folder` is where relative files are
    looked for, `data` where is kept how far they are stored, `zone` the site's time zone. `stop` waits up
    to `stop_grace_s` for what was handed over to be acknowledged.
    """

    def __init__(
        self,
        logger: Logger,
        instruments: Sequence[Instrument],
        sink: Sink,
        clock: Clock,
        *,
        folder: Path,
        data: Path,
        zone: str,
        delays: Delays = growing_delays,
        stop_grace_s: float = 3.0,
    ) -> None:
        self.logger = logger
        self.name = f"logger {logger.id}"
        self._form = Form.of(logger, instruments, zone)
        self._sink = sink
        self._clock = clock
        self._folder = folder
        self._kept_in = data / f"logger-{logger.id}.json"
        self._fingerprint = _fingerprint(self._form)
        self._files: dict[str, LoggerFile] = {}
        self._told: set[tuple[str, str]] = set()  # what was counted once, and of what
        self._stop_grace_s = stop_grace_s
        self._link = Link(self.name, sink, clock, delays)
        self._lock = threading.Lock()
        self._stored: dict[str, Place] = {}
        self._under_way: set[object] = set()  # Parcels that are not acknowledged yet
        self._saved: dict[str, Place] = {}
        self._saved_s = 0.0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"logger {logger.id}", daemon=True)

    def start(self) -> None:
        """Begin to read, and to look for more for ever; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Join the thread, and keep how far the files are stored."""
        self._stopping.set()
        if not self._thread.is_alive():
            return
        self._thread.join()
        until_s = time.monotonic() + self._stop_grace_s
        while self._under_way and time.monotonic() < until_s:
            time.sleep(0.01)
        self._save()

    def _run(self) -> None:
        self._stored = load_places(self._kept_in, self._fingerprint)
        self._saved = dict(self._stored)
        while not self._stopping.is_set():
            try:
                self._files = {}
                for name, place in self._stored.items():
                    self._files[name] = self._file(name, place)
                self._follow()
            except Exception as error:  # the supervisor of this thread: no fault ends intake
                log.exception("%s: unexpected fault, beginning anew behind what is stored", self.name)
                self._link.is_down(f"{type(error).__name__}: {error}")
                self._link.wait(self._stopping)

    def _file(self, name: str, place: Place) -> LoggerFile:
        return LoggerFile(self._folder / name, name, self._form, self._clock.now_ms, place)

    def _follow(self) -> None:
        while not self._stopping.is_set():
            if self._look():
                self._link.is_up()
                self._read()
                self._tell_missing()
                self._save()
                self._stopping.wait(self._clock.machine_s(self.logger.every / 1000))
            else:
                self._link.is_down(f"no file {' or '.join(self.logger.files)}")
                self._link.wait(self._stopping)

    def _look(self) -> bool:
        """Find the files that are there now, also under new names; whether there are any."""
        found = {name for pattern in self.logger.files for name in self._matching(pattern)}
        if not found:
            return False  # a folder that is not mounted: what was read of it is not forgotten
        gone = [file for name, file in self._files.items() if name not in found]
        for name in sorted(found - self._files.keys()):
            path = self._folder / name
            renamed = next((file for file in gone if file.goes_on_in(path)), None)
            if renamed is None:
                self._files[name] = self._file(name, START)
            else:
                gone.remove(renamed)
                self._rename(renamed, name)
        for file in gone:
            del self._files[file.name]
            with self._lock:
                self._stored.pop(file.name, None)
        return True

    def _matching(self, pattern: str) -> Iterator[str]:
        names = glob.glob(pattern, root_dir=self._folder, recursive=True)  # noqa: PTH207 - also absolute ones
        return (name for name in names if (self._folder / name).is_file())

    def _rename(self, file: LoggerFile, name: str) -> None:
        log.info("%s: %s is now %s", self.name, file.name, name)
        del self._files[file.name]
        with self._lock:
            if (place := self._stored.pop(file.name, None)) is not None:
                self._stored[name] = place
        file.path, file.name = self._folder / name, name
        self._files[name] = file

    def _read(self) -> None:
        """Hand over all rows that are there, in order of time over all files."""
        gathered = _Gathered()
        grown = {name: file for name, file in self._files.items() if self._has_grown(file)}
        for name, row in in_order(grown, self._next_ms):
            if len(gathered.samples) + len(row.said.values) > MOST_SAMPLES:
                self._hand_over(gathered)
                gathered = _Gathered()
            gathered.samples += row.said.samples(self._clock.now_ms())
            gathered.counts += row.said.problems
            gathered.last[name] = row
            if self._stopping.is_set():
                break
        self._hand_over(gathered)

    def _has_grown(self, file: LoggerFile) -> bool:
        return bool(self._asked(file, file.has_grown))

    def _next_ms(self, file: LoggerFile) -> int | None:
        """The time of a file's next row; None when there is none, or it cannot be read now."""
        time_ms = self._asked(file, file.next_ms)
        if file.readable:
            self._told.discard(("unreadable-file", file.name))
        return time_ms

    def _asked(self, file: LoggerFile, ask: Callable[[], T]) -> T | None:
        try:
            return ask()
        except OSError as error:
            self._tell_once("unreadable-file", file.name, error.strerror or str(error))
            file.look_again()
            return None

    def _hand_over(self, gathered: _Gathered) -> None:
        """One Parcel; what it brings is stored, and its places are kept, once it is acknowledged."""
        if not gathered.last:
            return
        token = object()
        places = {name: row.proven for name, row in gathered.last.items()}
        with self._lock:
            self._under_way.add(token)
        parcel = Parcel(
            tuple(gathered.samples),
            tuple(gathered.counts),
            acknowledge=partial(self._is_stored, token, places),
        )
        try:
            self._sink(parcel)
        except Exception:
            with self._lock:
                self._under_way.discard(token)
            raise
        if time.monotonic() - self._saved_s > SAVE_S:
            self._save()

    def _is_stored(self, token: object, places: Mapping[str, Place]) -> None:
        """From any thread, any number of times, also too late."""
        with self._lock:
            if token in self._under_way:
                self._under_way.discard(token)
                self._stored.update(places)

    def _save(self) -> None:
        with self._lock:
            stored = dict(self._stored)
        if stored == self._saved:
            return
        self._saved_s = time.monotonic()
        try:
            save_places(self._kept_in, self._fingerprint, stored)
        except OSError as error:
            log.warning("%s: how far the files are read cannot be kept: %s", self.name, error)
            return
        self._saved = stored

    def _tell_missing(self) -> None:
        """Columns that stand in no file, or in another unit than their channel's; each told once."""
        layouts = {name: file.layout for name, file in self._files.items() if file.layout is not None}
        there: set[str] = set()
        for name, layout in layouts.items():
            there |= layout.columns.keys()
            if layout.time is None:
                self._tell_once(
                    "missing-column", name, f"no column {' and '.join(map(str, self.logger.time))}"
                )
            for channel, unit in layout.refused.items():
                there.add(channel)
                own = self._form.channels[channel].unit
                self._tell_once("wrong-unit", channel, f'"{unit}" in {name}, "{own}" in the site file')
        for channel, column in self._form.columns.items():
            if channel in there:
                self._told.discard(("missing-column", channel))
            elif layouts:
                self._tell_once(
                    "missing-column", channel, f'no column "{column}" in {", ".join(layouts)}'[:160]
                )

    def _tell_once(self, what: str, subject: str, detail: str) -> None:
        if (what, subject) not in self._told:
            self._told.add((what, subject))
            log.warning("%s: %s, %s: %s", self.name, what, subject, detail)
            self._sink(Parcel(counts=(Count(what, subject, self._clock.now_ms(), detail),)))


def _fingerprint(form: Form) -> str:
    """Changes when the files are to be read in another way, so that they are read anew."""
    units = {channel.id: channel.unit for channel in form.channels.values()}
    read = f"{form.logger.model_dump_json(exclude={'every'})} {dict(form.columns)} {units} {form.zone}"
    return hashlib.sha256(read.encode()).hexdigest()[:16]
