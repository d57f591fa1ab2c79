"""A damaged store is moved aside whole, once, and never lost on the way."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from monitor.readings import StoreReplaced
from monitor.store import reader, replaced
from monitor.store.files import STORE, keep_reserve, open_reader
from monitor.store.writer import Batch, Writer
from tests.heart.shop import START_MS
from tests.store.kept import HOUR, kept, minutely

ASIDE = "goodwater.damaged-20260601T060000Z.db"


def nothing() -> None:
    pass


def test_only_the_file_itself_is_damage(tmp_path: Path) -> None:
    (tmp_path / STORE).write_bytes(b"garbage " * 1000)
    with pytest.raises(sqlite3.DatabaseError) as not_a_store:
        Writer(tmp_path, START_MS, str)
    with contextlib.closing(sqlite3.connect(":memory:")) as connection, pytest.raises(sqlite3.Error) as other:
        connection.execute("select * from nowhere")
    assert replaced.is_damage(not_a_store.value)
    assert not replaced.is_damage(other.value)
    assert not replaced.is_damage(OSError("disk full"))


def test_damage_deep_in_the_file_is_found_by_looking_through_it(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store(minutely("ro.flow", 48))
        one.writer.connection.execute("pragma wal_checkpoint(truncate)")
        assert replaced.damage_in(one.data, nothing) is None
    with (one.data / STORE).open("r+b") as file:
        file.seek(30 * 4096)
        file.write(b"\xff" * 8192)
    beats: list[None] = []
    assert replaced.damage_in(one.data, lambda: beats.append(None))
    assert beats


def test_a_damaged_store_is_moved_whole_with_its_log_and_only_once(tmp_path: Path) -> None:
    for tail in ("", "-wal", "-shm"):
        (tmp_path / f"{STORE}{tail}").write_bytes(f"damaged{tail}".encode())
    replaced.note_damage(tmp_path, "malformed", START_MS)
    assert replaced.set_damaged_aside(tmp_path) == ASIDE
    assert [(tmp_path / f"{ASIDE}{tail}").read_bytes() for tail in ("", "-wal", "-shm")] == [
        b"damaged", b"damaged-wal", b"damaged-shm",
    ]  # fmt: skip
    (tmp_path / STORE).write_bytes(b"the new one")
    assert replaced.set_damaged_aside(tmp_path) is None
    assert (tmp_path / STORE).read_bytes() == b"the new one"


def test_a_kill_between_the_moves_is_made_good_by_the_next_start(tmp_path: Path) -> None:
    (tmp_path / STORE).write_bytes(b"damaged")
    (tmp_path / f"{STORE}-wal").write_bytes(b"log")
    replaced.note_damage(tmp_path, "malformed", START_MS)
    (tmp_path / f"{STORE}-wal").rename(tmp_path / f"{ASIDE}-wal")
    assert replaced.set_damaged_aside(tmp_path) == ASIDE
    assert (tmp_path / ASIDE).read_bytes() == b"damaged"
    assert not (tmp_path / STORE).exists()
    event = replaced.replaced(tmp_path)
    assert event is not None and (event.what, event.file, event.detail) == ("set-aside", ASIDE, "malformed")


def test_a_store_that_somebody_put_there_meanwhile_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / STORE).write_bytes(b"damaged")
    replaced.note_damage(tmp_path, "malformed", START_MS)
    (tmp_path / "better").write_bytes(b"a good one")
    (tmp_path / "better").replace(tmp_path / STORE)
    assert replaced.set_damaged_aside(tmp_path) is None
    assert (tmp_path / STORE).read_bytes() == b"a good one"


def test_a_file_set_aside_before_is_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / ASIDE).write_bytes(b"earlier")
    (tmp_path / STORE).write_bytes(b"damaged")
    replaced.note_damage(tmp_path, "malformed", START_MS)
    assert replaced.set_damaged_aside(tmp_path) == ASIDE.replace(".db", "-2.db")
    assert (tmp_path / ASIDE).read_bytes() == b"earlier"


def test_a_store_that_lost_its_content_is_damaged_but_a_new_one_is_not(tmp_path: Path) -> None:
    (tmp_path / STORE).touch()
    assert replaced.emptied(tmp_path) is None
    keep_reserve(tmp_path)
    assert replaced.emptied(tmp_path) == "the file is empty"


def test_each_new_store_numbers_alarms_from_beyond_the_last(tmp_path: Path) -> None:
    def numbers_after(now_ms: int) -> int:
        (tmp_path / STORE).write_bytes(b"damaged")
        replaced.note_damage(tmp_path, "malformed", now_ms)
        replaced.set_damaged_aside(tmp_path)
        event = replaced.replaced(tmp_path)
        assert event is not None
        replaced.told(tmp_path)
        assert replaced.replaced(tmp_path) is None
        return event.numbers_after

    first, soon, later = (numbers_after(START_MS + n) for n in (0, 1000, 100 * HOUR))
    assert 3_000 < first < soon < later


def test_the_event_comes_back_from_the_stream(tmp_path: Path) -> None:
    event = StoreReplaced(START_MS, "set-aside", ASIDE, "malformed", 3000)
    with contextlib.closing(Writer(tmp_path, START_MS, str)) as writer:
        writer.commit(Batch(START_MS, events=[(1, event)]))
        with contextlib.closing(open_reader(tmp_path)) as connection:
            assert list(reader.stream(connection)) == [event]
