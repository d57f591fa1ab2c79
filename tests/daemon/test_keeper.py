"""The watch-and-store thread by itself: which minutes it ticks, and how it ends."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from monitor.config import SiteFile
from monitor.keeper import Keeper, Limits
from monitor.plant.message_ids import message_id
from monitor.readings import OperatorAction, Tick
from monitor.store import reader
from monitor.store.files import STORE, open_reader
from monitor.store.writer import Writer
from monitor.watch import Watch
from tests.heart.shop import MINUTE, START_MS, site
from tests.waiting import eventually


class SetClock:
    """A clock that a test sets. `speed` shop seconds pass in a second of the machine's."""

    def __init__(self, speed: float = 1.0) -> None:
        self.at_ms, self.speed = START_MS, speed

    def now_ms(self) -> int:
        return self.at_ms

    def machine_s(self, shop_s: float) -> float:
        return shop_s / self.speed


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    return site(tmp_path)


def keeper_of(shop: SiteFile, clock: SetClock, beat: Callable[[], None] = lambda: None) -> Keeper:
    shop.data_dir.mkdir(exist_ok=True)

    def open_writer() -> Writer:
        return Writer(shop.data_dir, clock.now_ms(), partial(message_id, site_id="shop"))

    return Keeper(
        Watch(shop.plant, shop.rules),
        shop.data_dir,
        open_writer,
        clock,
        tell_trouble=lambda _: None,
        wake_delivery=lambda: None,
        beat=beat,
        limits=Limits(seconds=0.05),
    )


@contextlib.contextmanager
def running(shop: SiteFile, clock: SetClock) -> Iterator[Callable[[], list[int]]]:
    """A keeper at work; gives the minutes ticked and committed so far, from the start."""
    keeper = keeper_of(shop, clock)
    with contextlib.closing(open_reader(shop.data_dir)) as connection:

        def ticked() -> list[int]:
            return [
                (e.time_ms - START_MS) // MINUTE for e in reader.stream(connection) if isinstance(e, Tick)
            ]

        keeper.start()
        try:
            eventually(lambda: ticked() == [0], what="the first minute is ticked")
            yield ticked
        finally:
            keeper.stop()


def test_each_minute_is_ticked_once(shop: SiteFile) -> None:
    clock = SetClock()
    with running(shop, clock) as ticked:
        for minute in (1, 2):
            clock.at_ms += MINUTE
            eventually(lambda m=minute: ticked() == list(range(m + 1)), what="the minute is ticked")


@pytest.mark.parametrize("minutes", [2, 4, 20, 59])
def test_minutes_that_no_watch_was_kept_in_are_one_step_of_the_clock(shop: SiteFile, minutes: int) -> None:
    """A store in trouble, a machine that slept, a clock set forward: what was sent then is still on its way,
    so ticking through those minutes would call every instrument silent."""
    clock = SetClock()
    with running(shop, clock) as ticked:
        clock.at_ms += minutes * MINUTE
        eventually(lambda: len(ticked()) > 1, what="the clock's step is ticked")
        clock.at_ms += MINUTE
        eventually(lambda: ticked()[-1] == minutes + 1, what="the next minute is ticked")
        assert ticked() == [0, minutes, minutes + 1]
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        assert list(reader.transitions(connection)) == []


def test_a_clock_that_plays_fast_ticks_every_minute(shop: SiteFile) -> None:
    clock = SetClock(speed=600.0)
    with running(shop, clock) as ticked:
        clock.at_ms += 30 * MINUTE
        eventually(lambda: ticked() == list(range(31)), what="all minutes are ticked")


def test_a_keeper_that_was_never_started_can_be_stopped(shop: SiteFile) -> None:
    keeper = keeper_of(shop, SetClock())
    keeper.stop()


def test_a_rebuild_beats_all_the_while(shop: SiteFile) -> None:
    clock = SetClock()
    with running(shop, clock):
        pass
    with contextlib.closing(sqlite3.connect(shop.data_dir / STORE)) as connection, connection:
        connection.execute("update state set version = 99")
    beats: list[None] = []
    keeper = keeper_of(shop, clock, lambda: beats.append(None))
    keeper.stop()
    assert beats


def test_an_inbox_that_cannot_be_read_does_not_end_the_watch(
    shop: SiteFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: Writer) -> list[OperatorAction]:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(Writer, "take_inbox", refuse)
    clock = SetClock()
    with running(shop, clock) as ticked:
        clock.at_ms += MINUTE
        eventually(lambda: ticked() == [0, 1], what="the watch goes on")
