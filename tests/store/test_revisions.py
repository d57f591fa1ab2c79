"""What changed behind the watch is on record, for whoever keeps a copy; what came in order is not."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from monitor.plant.message_ids import message_id
from monitor.readings import Standing
from monitor.store import revisions
from monitor.store.files import open_reader
from monitor.store.writer import Batch, Writer
from tests.store.test_writer import NOW, reading


class Kept:
    """A store that is written to, and what its record of revisions says."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._seq = 0
        self.writer = self._open()

    def _open(self) -> Writer:
        return Writer(self._folder, NOW, partial(message_id, site_id="shop"))

    def restart(self) -> None:
        self.writer.close()
        self.writer = self._open()

    def store(
        self, *times_ms: int, standing: Standing = Standing.JUDGED, bad_after: int | None = None
    ) -> None:
        readings = []
        for time_ms in times_ms:
            self._seq += 1
            readings.append((self._seq, replace(reading(time_ms), standing=standing)))
        moved = [] if bad_after is None else [("di.ec", bad_after)]
        self.writer.commit(Batch(NOW, readings=readings, bad_after=moved))

    def revised(self) -> list[tuple[int, int]]:
        with contextlib.closing(open_reader(self._folder)) as connection:
            return [(r.from_ms, r.until_ms) for r in revisions.since(connection, 0, 100)]


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    made = Kept(tmp_path)
    yield made
    made.writer.close()


def test_readings_in_order_leave_no_record(kept: Kept) -> None:
    kept.store(NOW, NOW + 1)
    kept.restart()
    kept.store(NOW + 2)
    assert kept.revised() == []


@pytest.mark.parametrize("standing", [Standing.LATE, Standing.TIME_UNKNOWN])
def test_what_came_late_is_on_record_near_times_as_one_span(kept: Kept, standing: Standing) -> None:
    hour = 3_600_000
    kept.store(NOW)
    kept.store(NOW - 50 * hour, NOW - 2 * hour, NOW - hour, NOW - 5, standing=standing)
    assert kept.revised() == [(NOW - 50 * hour, NOW - 50 * hour), (NOW - 2 * hour, NOW - 5)]


def test_a_reading_that_came_twice_is_on_record_once(kept: Kept) -> None:
    kept.store(NOW)
    for _ in range(2):
        kept.store(NOW - 5, standing=Standing.LATE)
    assert kept.revised() == [(NOW - 5, NOW - 5)]


def test_a_time_that_cannot_be_true_is_not_on_record(kept: Kept) -> None:
    kept.store(NOW + 10**12, standing=Standing.BAD_TIME)
    assert kept.revised() == []


def test_a_mark_moved_back_begins_a_new_order_after_the_last_true_time(kept: Kept) -> None:
    kept.store(NOW)
    kept.store(NOW + 10**9)  # a clock that ran ahead
    kept.store(NOW + 60_000, bad_after=NOW + 360_000)
    kept.store(NOW + 120_000)
    assert kept.revised() == [(NOW + 1, revisions.OPEN_END)]


def test_a_reading_in_order_that_is_behind_all_the_same_is_on_record_also_after_a_restart(kept: Kept) -> None:
    kept.store(NOW)
    kept.restart()
    kept.store(NOW - 7)  # the watch's own memory of the channel was lost
    assert kept.revised() == [(NOW - 7, NOW - 7)]


def test_a_batch_that_was_not_stored_leaves_no_trace(kept: Kept) -> None:
    kept.store(NOW)
    kept.writer.connection.execute("pragma query_only = on")
    with pytest.raises(sqlite3.OperationalError):
        kept.store(NOW + 10)
    kept.writer.connection.execute("pragma query_only = off")
    kept.store(NOW + 5)
    assert kept.revised() == []


def test_the_record_is_bounded_and_says_how_far_back_it_goes(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(revisions, "_MOST_KEPT", 2)
    kept.store(NOW)
    for n in range(5):
        kept.store(NOW - 10 - n, standing=Standing.LATE)
    connection = kept.writer.connection
    assert (revisions.first_number(connection), revisions.last_number(connection)) == (4, 5)
