"""The watch-and-store thread does the store's own work between commits, however busy it is."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from monitor.config import SiteFile
from monitor.intake.driver import Parcel
from monitor.keeper import Keeper, Limits
from monitor.plant.message_ids import message_id
from monitor.readings import Sample, Tick
from monitor.store.files import open_reader
from monitor.store.upkeep import Upkeep
from monitor.store.writer import Batch, Writer
from monitor.watch import Watch
from tests.daemon.test_keeper import SetClock
from tests.heart.shop import START_MS, site
from tests.waiting import eventually

HOUR = 3_600_000


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    made = site(tmp_path)
    made.data_dir.mkdir()
    return made


@contextlib.contextmanager
def running(shop: SiteFile, clock: SetClock, upkeep: Upkeep) -> Iterator[Keeper]:
    def open_writer() -> Writer:
        return Writer(shop.data_dir, clock.now_ms(), partial(message_id, site_id="shop"))

    keeper = Keeper(
        Watch(shop.plant, shop.rules),
        shop.data_dir,
        open_writer,
        clock,
        tell_trouble=lambda _: None,
        wake_delivery=lambda: None,
        beat=lambda: None,
        limits=Limits(seconds=0.02),
        upkeep=upkeep,
    )
    keeper.start()
    try:
        yield keeper
    finally:
        keeper.stop()


def hours(shop: SiteFile) -> int:
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        return int(connection.execute("select count(*) from rollup where every_min = 60").fetchone()[0])


def sample(n: int) -> Sample:
    at = START_MS + n
    return Sample("di.ec", 5.0, at, at)


@pytest.mark.parametrize("busy", [False, True])
def test_an_hour_is_summed_up_soon_after_it_is_over(
    shop: SiteFile, busy: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.keeper._TEND_AT_LEAST_S", 0.5)
    clock, stop = SetClock(), threading.Event()

    def send(keeper: Keeper) -> None:
        n = 1
        while not stop.is_set():
            keeper.hand_over(Parcel((sample(n),)))
            n += 1

    with running(shop, clock, Upkeep(shop.plant, shop.retention)) as keeper:
        keeper.hand_over(Parcel((sample(0),)))
        sender = threading.Thread(target=send, args=(keeper,))
        if busy:
            sender.start()
        clock.at_ms += HOUR

        def summed_up() -> bool:
            clock.at_ms += 1_000
            return hours(shop) >= 1

        try:
            eventually(summed_up, 30, what="the hour is summed up")
        finally:
            stop.set()
            if busy:
                sender.join()


def test_what_the_store_cannot_do_for_itself_just_now_does_not_end_the_watch(
    shop: SiteFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    upkeep, tried = Upkeep(shop.plant, shop.retention), []

    def refuse(connection: sqlite3.Connection, now_ms: int) -> bool:
        tried.append(now_ms)
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(upkeep, "step", refuse)
    with running(shop, SetClock(), upkeep) as keeper:
        eventually(lambda: len(tried) > 2)
        keeper.hand_over(Parcel((sample(0),)))
        with contextlib.closing(open_reader(shop.data_dir)) as connection:
            rows = "select count(*) from reading"
            eventually(lambda: connection.execute(rows).fetchone()[0] == 1)
        assert keeper.failure is None


def test_a_step_that_fails_is_done_again_with_the_next_minute(shop: SiteFile) -> None:
    upkeep = Upkeep(shop.plant, shop.retention, believed_ticks=1)
    with contextlib.closing(Writer(shop.data_dir, START_MS, str)) as writer:
        writer.commit(Batch(START_MS, events=[(1, Tick(START_MS))]))
        connection = writer.connection
        connection.execute("pragma query_only = on")
        with pytest.raises(sqlite3.OperationalError):
            upkeep.step(connection, START_MS)
        assert not connection.in_transaction
        connection.execute("pragma query_only = off")
        assert upkeep.step(connection, START_MS) is False  # not before the next minute
        assert upkeep.step(connection, START_MS + 60_000) is True
