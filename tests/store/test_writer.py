"""The store: one transaction a batch, nothing twice, nothing lost."""

from __future__ import annotations

import contextlib
import fcntl
import resource
import sqlite3
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.plant.message_ids import message_id
from monitor.readings import (
    AlarmState,
    Bound,
    Count,
    DeliveryResult,
    Notice,
    OperatorAction,
    Reading,
    Reason,
    Sample,
    Standing,
    Status,
    Tick,
    Transition,
)
from monitor.store import inbox, reader
from monitor.store.files import (
    STORE,
    AlreadyRunning,
    StoreMissing,
    StoreMoved,
    hold,
    holder,
    open_inbox,
    open_reader,
)
from monitor.store.rows import reading_from, reading_row, sample_of
from monitor.store.schema import MIGRATIONS, SchemaTooNew, migrate
from monitor.store.writer import Batch, Writer

NOW = 1_780_000_000_000


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    made = Writer(tmp_path, NOW, partial(message_id, site_id="shop"))
    yield made
    made.close()


@pytest.fixture
def read(writer: Writer, tmp_path: Path) -> Iterator[sqlite3.Connection]:
    with contextlib.closing(open_reader(tmp_path)) as connection:
        yield connection


def reading(time_ms: int = NOW, value: float = 5.0, **more: object) -> Reading:
    known = {
        "channel": "di.ec",
        "arrival_ms": time_ms,
        "raw": value,
        "reasons": Reason.NONE,
        "bound": Bound.EXACT,
        "standing": Standing.JUDGED,
    }
    return Reading(time_ms=time_ms, value=value, **(known | more))  # type: ignore[arg-type]


def transition(step: int = 1, cause: str = "raised") -> Transition:
    state = AlarmState.UNACKNOWLEDGED if cause == "raised" else AlarmState.RETURNED
    return Transition(
        "di-high", 1, step, cause, state, NOW, NOW - 5, "high", "limit", "di.ec", 0.9, {"value": 31.5}
    )  # type: ignore[arg-type]


def counted(connection: sqlite3.Connection) -> dict[str, int]:
    return {row["what"]: row["n"] for row in reader.counts(connection)}


def test_a_reading_comes_back_as_it_was(writer: Writer, read: sqlite3.Connection) -> None:
    one = reading(value=0.1 + 0.2, raw=1e-17, reasons=Reason.FLAT | Reason.JUMP, status=Status.REDELIVERED)
    writer.commit(Batch(NOW, readings=[(1, one)]))
    assert list(reader.readings(read, "di.ec")) == [one]


@given(
    st.builds(
        Reading,
        channel=st.just("c"),
        time_ms=st.integers(0, 2**50),
        arrival_ms=st.integers(0, 2**50),
        raw=st.floats(allow_nan=False),
        value=st.floats(allow_nan=False),
        reasons=st.integers(0, sum(Reason)).map(Reason),
        bound=st.sampled_from(Bound),
        standing=st.sampled_from(Standing),
        status=st.integers(0, sum(Status)).map(Status),
        own_time=st.booleans(),
    )
)
def test_every_reading_survives_its_row(one: Reading) -> None:
    _, time_ms, raw, value, flags, _, lag_ms = reading_row(1, 1, one)
    assert reading_from("c", time_ms, raw, value, flags, lag_ms) == one


def test_the_sample_of_a_stored_reading_is_the_sample_it_was_made_of() -> None:
    own, none = reading(arrival_ms=NOW + 7), reading(own_time=False, status=Status.DRAINED)
    assert sample_of(own) == Sample("di.ec", 5.0, NOW + 7, NOW)
    assert sample_of(none) == Sample("di.ec", 5.0, NOW, None, Status.DRAINED)


def test_the_same_reading_again_is_counted_as_a_duplicate(writer: Writer, read: sqlite3.Connection) -> None:
    writer.commit(Batch(NOW, readings=[(1, reading())]))
    writer.commit(Batch(NOW, readings=[(2, reading(standing=Standing.LATE))]))
    assert len(list(reader.readings(read, "di.ec"))) == 1
    assert counted(read) == {"duplicate": 1}


def test_another_value_at_the_same_time_is_a_conflict_and_the_first_is_kept(
    writer: Writer, read: sqlite3.Connection
) -> None:
    writer.commit(Batch(NOW, readings=[(1, reading()), (2, reading(value=6.0, standing=Standing.LATE))]))
    assert [r.raw for r in reader.readings(read, "di.ec")] == [5.0]
    (row,) = reader.counts(read)
    assert (row["what"], row["detail"]) == ("conflict", "kept 5, set aside 6")


def test_a_judged_reading_that_meets_one_after_a_mark_moved_back_is_counted_too(
    writer: Writer, read: sqlite3.Connection
) -> None:
    writer.commit(Batch(NOW, readings=[(1, reading())]))
    writer.commit(Batch(NOW, readings=[(2, reading(NOW + 1)), (3, reading(value=7.0))]))
    assert [r.raw for r in reader.readings(read, "di.ec")] == [5.0, 5.0]
    assert counted(read) == {"conflict": 1}


def test_an_error_in_a_batch_stores_nothing_of_it(writer: Writer, read: sqlite3.Connection) -> None:
    writer.commit(Batch(NOW, events=[(1, Tick(NOW))]))
    with pytest.raises(sqlite3.IntegrityError):
        writer.commit(Batch(NOW, readings=[(2, reading())], events=[(1, Tick(NOW + 1))]))
    assert list(reader.readings(read, "di.ec")) == []
    writer.commit(Batch(NOW, readings=[(2, reading())]))
    assert list(reader.readings(read, "di.ec")) == [reading()]


def test_the_stream_comes_back_in_the_order_of_its_numbers(writer: Writer, read: sqlite3.Connection) -> None:
    action = OperatorAction(NOW + 3, "acknowledge", "di-high#1", "lead", "done")
    later, earlier = reading(NOW + 2), reading(NOW + 1, channel="ro.ec")
    writer.commit(Batch(NOW, readings=[(1, later), (3, earlier)], events=[(2, Tick(NOW)), (4, action)]))
    assert list(reader.stream(read)) == [sample_of(later), Tick(NOW), sample_of(earlier), action]
    assert list(reader.stream(read, since_seq=3)) == [action]


def test_a_notice_becomes_one_row_of_the_outbox_and_is_owed_until_delivered(
    writer: Writer, read: sqlite3.Connection
) -> None:
    notice = Notice("di-high#1.1", "lead", 0)
    writer.commit(Batch(NOW, transitions=[(1, transition())], notices=[notice, notice]))
    (row,) = reader.owed(read, NOW)
    assert (row.notice, row.transition, row.owed_ms) == (notice, transition(), NOW)
    assert row.message_id == message_id(notice, "shop")
    writer.commit(Batch(NOW, results=[DeliveryResult(row.id, NOW, "failed", "no answer", NOW + 60_000)]))
    assert reader.owed(read, NOW) == []
    assert [r.attempts for r in reader.owed(read, NOW + 60_000)] == [1]
    writer.commit(Batch(NOW, results=[DeliveryResult(row.id, NOW, "delivered", "250 ok")]))
    assert reader.owed(read, NOW + 10**9) == []
    assert reader.outbox_totals(read).delivered == 1


def test_a_result_that_comes_late_does_not_reopen_what_was_delivered(
    writer: Writer, read: sqlite3.Connection
) -> None:
    writer.commit(Batch(NOW, transitions=[(1, transition())], notices=[Notice("di-high#1.1", "lead", 0)]))
    (row,) = reader.owed(read, NOW)
    writer.commit(Batch(NOW, results=[DeliveryResult(row.id, NOW, "delivered")]))
    writer.commit(Batch(NOW, results=[DeliveryResult(row.id, NOW, "failed", "late", NOW)]))
    assert reader.owed(read, NOW + 1) == []


def test_one_way_that_is_dead_keeps_no_other_waiting(writer: Writer, read: sqlite3.Connection) -> None:
    kept = [transition(step) for step in range(1, 6)]
    owed = [Notice(t.key, "lead", 0) for t in kept] + [Notice(kept[0].key, "deputy", 0)]
    writer.commit(Batch(NOW, transitions=list(enumerate(kept)), notices=owed))
    rows = reader.owed(read, NOW, limit=2)
    assert [(r.notice.person, r.transition.step) for r in rows] == [("lead", 1), ("lead", 2), ("deputy", 1)]


def test_current_alarms_are_the_last_transitions_that_are_not_normal(
    writer: Writer, read: sqlite3.Connection
) -> None:
    writer.commit(Batch(NOW, transitions=[(1, transition()), (2, transition(2, "returned"))]))
    assert reader.current_alarms(read) == [transition(2, "returned")]


def test_what_a_person_does_is_taken_once_and_marked_with_its_event(
    writer: Writer, read: sqlite3.Connection, tmp_path: Path
) -> None:
    action = OperatorAction(NOW, "acknowledge", "di-high#1", "lead", "")
    with contextlib.closing(open_inbox(tmp_path)) as people:
        number = inbox.put(people, action)
        (taken,) = writer.take_inbox()
        assert (taken.target, taken.inbox_id) == ("di-high#1", number)
        assert writer.take_inbox() == []
        assert not inbox.taken(people, number)
        writer.commit(Batch(NOW, events=[(1, taken)]))
        assert inbox.taken(people, number)
        inbox.put(people, action)
        assert [a.inbox_id for a in writer.take_inbox()] == [number + 1]


def test_what_was_taken_and_not_committed_is_taken_again_after_a_restart(
    writer: Writer, tmp_path: Path
) -> None:
    with contextlib.closing(open_inbox(tmp_path)) as people:
        inbox.put(people, OperatorAction(NOW, "acknowledge", "di-high", "lead"))
    assert len(writer.take_inbox()) == 1
    again = Writer(tmp_path, NOW, str)
    assert len(again.take_inbox()) == 1
    again.close()


def test_readings_stamped_by_a_clock_that_ran_ahead_are_marked_bad(
    writer: Writer, read: sqlite3.Connection
) -> None:
    writer.commit(Batch(NOW, readings=[(1, reading(NOW)), (2, reading(NOW + 9_000_000))]))
    writer.commit(Batch(NOW, bad_after=[("di.ec", NOW + 300_000)]))
    before, after = reader.readings(read, "di.ec")
    assert before.standing == Standing.JUDGED
    assert (after.standing, after.reasons) == (Standing.BAD_TIME, Reason.CLOCK)


def test_counts_add_up_and_keep_the_last_detail(writer: Writer, read: sqlite3.Connection) -> None:
    writer.commit(Batch(NOW, counts=[Count("garbage", "water/ro", NOW, "'a'")]))
    writer.commit(Batch(NOW, counts=[Count("garbage", "water/ro", NOW + 5, "'b'", n=2)]))
    (row,) = reader.counts(read)
    assert tuple(row) == ("garbage", "water/ro", 3, NOW, NOW + 5, "'b'")


def test_links_keep_their_last_state(writer: Writer, read: sqlite3.Connection) -> None:
    writer.commit(Batch(NOW, links=[("broker hall", True, NOW, "")]))
    writer.commit(Batch(NOW, links=[("broker hall", False, NOW + 1, "refused")]))
    assert [tuple(row) for row in reader.links(read)] == [("broker hall", 0, NOW + 1, "refused")]


def test_every_commit_is_synced_in_full(writer: Writer) -> None:
    assert writer.connection.execute("pragma synchronous").fetchone()[0] == 2
    assert writer.connection.execute("pragma journal_mode").fetchone()[0] == "wal"


def test_migrations_run_once_and_are_recorded(tmp_path: Path, writer: Writer) -> None:
    assert writer.migrated == [name for name, _ in MIGRATIONS]
    again = Writer(tmp_path, NOW, str)
    assert again.migrated == []
    again.close()


def test_a_store_of_a_later_version_is_refused_in_words(writer: Writer) -> None:
    writer.connection.execute("insert into migration values ('9999 from the future', 0)")
    with pytest.raises(SchemaTooNew, match="later version of Goodwater"):
        migrate(writer.connection, NOW)


def test_a_reader_cannot_write(read: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.OperationalError):
        read.execute("delete from reading")


def test_a_store_that_is_not_there_yet_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreMissing, match="goodwater run"):
        open_reader(tmp_path / "nowhere")


def test_a_data_folder_is_held_by_one_daemon(tmp_path: Path) -> None:
    assert holder(tmp_path) is None
    with hold(tmp_path):
        assert holder(tmp_path) is not None
        with pytest.raises(AlreadyRunning, match="running already"), hold(tmp_path):
            pass
    assert holder(tmp_path) is None


def test_a_stamp_of_years_ahead_does_not_hide_what_came_since(
    writer: Writer, read: sqlite3.Connection
) -> None:
    absurd = reading(NOW + 10**11, arrival_ms=NOW, standing=Standing.BAD_TIME, reasons=Reason.CLOCK)
    writer.commit(Batch(NOW, readings=[(1, absurd)]))
    assert reader.latest(read) == {"di.ec": absurd}
    writer.commit(Batch(NOW, readings=[(2, reading(NOW + 60_000))]))
    assert reader.latest(read) == {"di.ec": reading(NOW + 60_000)}


def test_an_instrument_whose_clock_runs_ahead_is_shown_by_what_came_last(
    writer: Writer, read: sqlite3.Connection
) -> None:
    ahead = reading(NOW + 9_000_000, arrival_ms=NOW + 60_000, standing=Standing.BAD_TIME)
    writer.commit(Batch(NOW, readings=[(1, reading()), (2, ahead)]))
    assert reader.latest(read) == {"di.ec": ahead}


def test_a_reading_in_order_takes_the_place_of_one_that_bore_its_time_by_a_wrong_clock(
    writer: Writer, read: sqlite3.Connection
) -> None:
    ahead = reading(NOW + 3_600_000, arrival_ms=NOW, value=9.0, standing=Standing.BAD_TIME)
    writer.commit(Batch(NOW, readings=[(1, ahead)]))
    true = reading(NOW + 3_600_000)
    writer.commit(Batch(NOW, readings=[(2, true), (3, reading(NOW + 3_600_001))]))
    assert list(reader.readings(read, "di.ec")) == [true, reading(NOW + 3_600_001)]
    (row,) = reader.counts(read)
    assert (row["what"], row["detail"]) == ("conflict", "kept 5, set aside 9")


def test_topics_without_end_are_counted_together_once_there_are_many(
    writer: Writer, read: sqlite3.Connection, tmp_path: Path
) -> None:
    def flood(into: Writer, first: int) -> None:
        named = [Count("unknown-topic", f"noise/{n}", NOW) for n in range(first, first + 700)]
        into.commit(Batch(NOW, counts=[*named, Count("garbage", "water/ro", NOW)]))

    flood(writer, 0)
    again = Writer(tmp_path, NOW, str)
    flood(again, 700)
    again.close()
    rows = {(row["what"], row["subject"]): row["n"] for row in reader.counts(read)}
    assert len(rows) <= 502
    assert rows["garbage", "water/ro"] == 2
    assert sum(n for (what, _), n in rows.items() if what == "unknown-topic") == 1400


def test_a_count_of_any_text_is_stored_short_and_printable(writer: Writer, read: sqlite3.Connection) -> None:
    writer.commit(
        Batch(NOW, counts=[Count("unknown-topic", "\x1b[2J\n\ud800" + "x" * 60_000, NOW, "\ud800")])
    )
    (row,) = reader.counts(read)
    assert len(row["subject"]) <= 200
    assert row["subject"].isprintable() and row["detail"].isprintable()


def test_a_reader_that_pauses_does_not_keep_the_write_ahead_log_from_being_emptied(
    writer: Writer, read: sqlite3.Connection
) -> None:
    writer.commit(Batch(NOW, readings=[(n, reading(NOW + n)) for n in range(25_000)]))
    paused = reader.readings(read, "di.ec")
    assert next(paused) == reading(NOW)
    writer.commit(Batch(NOW, events=[(30_000, Tick(NOW))]))
    busy, _, _ = writer.connection.execute("pragma wal_checkpoint(truncate)").fetchone()
    assert busy == 0
    assert len(list(paused)) == 24_999


@pytest.mark.parametrize("page_bytes", [1024, 4096])
def test_a_new_store_has_small_pages_an_older_one_keeps_its_own_and_the_log_is_of_one_length(
    tmp_path: Path, page_bytes: int
) -> None:
    if page_bytes == 4096:
        with contextlib.closing(sqlite3.connect(tmp_path / STORE)) as older:
            older.execute("create table other (n)")
    with contextlib.closing(Writer(tmp_path, NOW, str)) as writer:
        assert writer.connection.execute("pragma page_size").fetchone()[0] == page_bytes
        (pages,) = writer.connection.execute("pragma wal_autocheckpoint").fetchone()
        assert pages * page_bytes == 4_096_000


def test_nothing_is_written_to_a_file_that_was_deleted_or_replaced(writer: Writer, tmp_path: Path) -> None:
    writer.commit(Batch(NOW, events=[(1, Tick(NOW))]))
    (tmp_path / STORE).rename(tmp_path / "elsewhere.db")
    with pytest.raises(StoreMoved, match="moved, deleted or replaced"):
        writer.commit(Batch(NOW, events=[(2, Tick(NOW))]))
    (tmp_path / "elsewhere.db").rename(tmp_path / STORE)
    writer.commit(Batch(NOW, events=[(2, Tick(NOW))]))


def test_the_folder_can_be_held_on_a_disk_that_takes_no_byte_more(tmp_path: Path) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
    try:
        with hold(tmp_path):
            assert holder(tmp_path) == 0
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_who_only_looks_at_the_lock_does_not_keep_a_watch_from_starting(tmp_path: Path) -> None:
    with hold(tmp_path):
        pass
    with (tmp_path / "goodwater.lock").open() as looking:
        fcntl.flock(looking, fcntl.LOCK_SH)
        ended = threading.Timer(0.2, fcntl.flock, (looking, fcntl.LOCK_UN))
        ended.start()
        began = time.monotonic()
        with hold(tmp_path):
            assert time.monotonic() - began >= 0.1
        ended.join()
