"""Logger files: CSV with one row an interval and one column an instrument, as a plant logger leaves them."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from simulator.instruments import Sample
from simulator.shop import Instrument
from simulator.wires.values import decimals, number_of, text_of
from simulator.year import Run


def _group(instrument: Instrument) -> str:
    what, _, where = instrument.measures.partition(":")
    if where == "air":
        return "hall"
    return "sumps" if what in ("level", "topoff", "run") and where.startswith("M") else "train"


def column_of(instrument: Instrument) -> str:
    """Column the instrument has in a logger file: the one named on its wire, else its own name."""
    return (
        instrument.wire.column if instrument.wire is not None and instrument.wire.column else instrument.name
    )


def write_logger_csv(
    run: Run,
    folder: Path,
    begin_ms: int | None = None,
    end_ms: int | None = None,
    least_s: Mapping[str, int] | None = None,
) -> list[Path]:
    """Write what was reported in begin <= time < end; files `<group>-<interval>s.csv`, rows at the
    logger's instants.

    A row holds each instrument's report of that interval, blank where it was lost; `time` is ISO 8601 UTC.
    `least_s` (seconds, by kind of wire) has rows written no more often, with the last report of that time.
    """
    begin, end = begin_ms or run.start_ms, end_ms or run.end_ms
    groups: dict[tuple[str, int], list[Instrument]] = {}
    for instrument in run.shop.instruments:
        kind = instrument.wire.kind if instrument.wire is not None else ""
        step = max((least_s or {}).get(kind, 0), round(instrument.interval_s))
        groups.setdefault((_group(instrument), step), []).append(instrument)
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for (name, interval_s), members in sorted(groups.items()):
        path = folder / f"{name}-{interval_s}s.csv"
        _write(run, path, members, interval_s * 1000, begin, end)
        written.append(path)
    return written


def _write(run: Run, path: Path, members: list[Instrument], step_ms: int, begin: int, end: int) -> None:
    rows = (end - begin) // step_ms
    columns: list[list[str]] = []
    for instrument in members:
        said, digits = run.reported[instrument.name], decimals(instrument)
        column = [""] * rows
        low, high = (int(np.searchsorted(said.time_ms, edge)) for edge in (begin, begin + rows * step_ms))
        slots = (said.time_ms[low:high] - begin) // step_ms
        values, statuses = said.value[low:high].tolist(), said.status[low:high].tolist()
        for slot, value, status in zip(slots.tolist(), values, statuses, strict=True):
            column[slot] = (
                number_of(value, digits) if not status else text_of(Sample(0, "", 0, value, status), digits)
            )
        columns.append(column)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["time", *(column_of(item) for item in members)])
        for index, cells in enumerate(zip(*columns, strict=True)):
            # the logger writes a row when its interval is over
            moment = datetime.fromtimestamp((begin + (index + 1) * step_ms) / 1000, UTC)
            writer.writerow([moment.strftime("%Y-%m-%dT%H:%M:%SZ"), *cells])


class LoggerFile:
    """A logger that adds rows to one file as time goes on; its instruments share one interval.

    A row is written when its interval is over, which is when a report of a later one comes.
    """

    def __init__(self, instruments: list[Instrument], path: Path) -> None:
        self.instruments = {instrument.name: instrument for instrument in instruments}
        self._path, self._step_ms = path, round(1000.0 * instruments[0].interval_s)
        self._slot, self._cells = 0, dict.fromkeys(self.instruments, "")

    def start(self) -> None:
        names = (column_of(instrument) for instrument in self.instruments.values())
        self._path.write_text(",".join(["time", *names]) + "\n", encoding="utf-8")

    def say(self, sample: Sample) -> None:
        slot = sample.sent_ms // self._step_ms
        if slot > self._slot:
            self._end_row()
            self._slot = slot
        self._cells[sample.instrument] = text_of(sample, decimals(self.instruments[sample.instrument]))

    def _end_row(self) -> None:
        if any(self._cells.values()):
            moment = datetime.fromtimestamp((self._slot + 1) * self._step_ms / 1000, UTC)
            with self._path.open("a", encoding="utf-8") as file:
                file.write(",".join([moment.strftime("%Y-%m-%dT%H:%M:%SZ"), *self._cells.values()]) + "\n")
        self._cells = dict.fromkeys(self.instruments, "")

    def stop(self) -> None:
        self._end_row()
