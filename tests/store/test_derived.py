"""What the watch derived, and what a person says was done, in the store."""

from __future__ import annotations

import contextlib
from pathlib import Path

from monitor.readings import Bound, OperatorAction, Reading, Reason, Sample, Standing, Status
from monitor.store import inbox, reader
from monitor.store.files import open_inbox, open_reader
from monitor.store.writer import Batch, Writer

NOW = 1_780_000_000_000


def reading(channel: str, value: float, status: Status) -> Reading:
    return Reading(channel, NOW, NOW, value, value, Reason.NONE, Bound.EXACT, Standing.JUDGED, status)


def test_a_derived_reading_is_stored_as_one_and_is_no_sample_of_the_stream(tmp_path: Path) -> None:
    with contextlib.closing(Writer(tmp_path, NOW, str)) as writer:
        derived = reading("ro.rejection", 98.0, Status.DERIVED)
        writer.commit(Batch(NOW, readings=[(1, reading("ro.ec", 9.0, Status.OK)), (1, derived)]))
    with contextlib.closing(open_reader(tmp_path)) as connection:
        assert list(reader.readings(connection, "ro.rejection")) == [derived]
        assert list(reader.stream(connection)) == [Sample("ro.ec", 9.0, NOW, NOW)]


def test_an_event_goes_through_the_inbox_into_the_stream_as_it_was_told(tmp_path: Path) -> None:
    told = OperatorAction(NOW - 7_200_000, "event", "di", "lead", "both bottles", event="resin-change")
    with contextlib.closing(Writer(tmp_path, NOW, str)) as writer:
        with contextlib.closing(open_inbox(tmp_path)) as people:
            inbox.put(people, told)
        (taken,) = writer.take_inbox()
        writer.commit(Batch(NOW, events=[(1, taken)]))
    with contextlib.closing(open_reader(tmp_path)) as connection:
        assert list(reader.stream(connection)) == [told]
