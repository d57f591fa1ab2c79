"""One line a day, by the ways of alarms: all well, or what is not; once, also after a restart."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from pydantic import ValidationError

from monitor.alive.daily import Daily, due_by
from monitor.alive.settings import AllWell
from monitor.plant.message_ids import message_id
from monitor.readings import AlarmState, Bound, Reading, Reason, Standing
from monitor.store.files import open_reader
from monitor.store.writer import Batch, Writer
from simulator.mailbox import Mailbox
from tests.mailbox import authority, make_mailbox
from tests.notify.shop import around, mail_server, plant, transition

__all__ = ["authority", "make_mailbox"]

AT = AllWell.model_validate({"at": "06:30"})


def utc(day: int, hour: int, minute: int = 0, month: int = 2) -> int:
    return int(datetime(2031, month, day, hour, minute, tzinfo=UTC).timestamp() * 1000)


class Played:
    """A clock that stands where it is put."""

    def __init__(self, now: int) -> None:
        self.now = now

    def now_ms(self) -> int:
        return self.now

    def machine_s(self, shop_s: float) -> float:
        return shop_s


class Shop:
    def __init__(self, folder: Path, box: Mailbox) -> None:
        self.data, self.clock, self.box = folder, Played(utc(17, 5, 0)), box
        self.writer = Writer(folder, self.clock.now, partial(message_id, site_id="north"))
        self._seq = 0
        self.line = self.restarted()

    def restarted(self) -> Daily:
        server = mail_server(self.box, security="none")
        connect = partial(open_reader, self.data)
        return Daily(AT, plant(), around(server), self.data, self.clock, connect)

    def speaks(self) -> None:
        self._seq += 1
        at_ms = self.clock.now - 1000
        good = Reading("di.ec", at_ms, at_ms, 5.0, 5.0, Reason.NONE, Bound.EXACT, Standing.JUDGED)
        self.writer.commit(Batch(self.clock.now, readings=[(self._seq, good)]))

    def subjects(self) -> list[str]:
        return [str(mail.parsed["Subject"]) for mail in self.box.mails]


@pytest.fixture
def shop(tmp_path: Path, make_mailbox: Callable[..., Mailbox]) -> Iterator[Shop]:
    made = Shop(tmp_path, make_mailbox())
    with contextlib.closing(made.writer):
        yield made


def test_the_line_comes_once_a_day_at_its_hour_also_after_a_restart(shop: Shop) -> None:
    shop.speaks()
    assert shop.line.look() and shop.subjects() == []  # 06:00 in Vienna
    shop.clock.now = utc(17, 5, 31)
    assert shop.line.look() and shop.line.look() and shop.restarted().look()
    assert shop.subjects() == ["All well at North hall: no alarm stands"]
    shop.clock.now = utc(18, 5, 31)
    shop.speaks()
    assert shop.restarted().look()
    assert len(shop.subjects()) == 2


def test_what_is_not_well_is_said_first(shop: Shop) -> None:
    shop.clock.now = utc(17, 9)
    shop.writer.commit(Batch(shop.clock.now, transitions=[(9, transition())]))
    shop.line.look()
    assert shop.subjects() == [
        "Not all well at North hall: 1 alarm stands, 1 channel has said nothing for a day"
    ]
    assert "di-limit#3" in shop.box.mails[0].part("plain")


def test_an_alarm_that_is_kept_back_is_named_and_is_no_trouble(shop: Shop) -> None:
    shop.clock.now = utc(17, 9)
    shop.speaks()
    shop.writer.commit(
        Batch(shop.clock.now, transitions=[(9, transition(cause="shelved", state=AlarmState.SHELVED))])
    )
    shop.line.look()
    assert shop.subjects() == ["All well at North hall: no alarm stands"]
    assert "Kept back            di-limit#3" in shop.box.mails[0].part("plain")


def test_a_line_that_reached_nobody_is_tried_again(shop: Shop, make_mailbox: Callable[..., Mailbox]) -> None:
    answers = {"RCPT": "451 later"}
    shop.box = make_mailbox(answers=answers)
    shop.clock.now = utc(17, 9)
    shop.speaks()
    line = shop.restarted()
    assert not line.look()
    answers.clear()
    assert line.look() and len(shop.subjects()) == 1


def test_a_day_that_a_clock_which_ran_ahead_has_told_holds_nothing_up(shop: Shop) -> None:
    shop.clock.now = utc(17, 9, month=9)
    shop.line.look()
    shop.clock.now = utc(17, 9)
    shop.line.look()
    assert len(shop.subjects()) == 2


def test_the_hour_is_the_shop_s_own_on_both_sides_of_the_change_of_clocks() -> None:
    # Vienna: 2031-03-30, 02:00 becomes 03:00.
    assert due_by(utc(29, 5, 29, month=3), "06:30", "Europe/Vienna") is None
    assert due_by(utc(29, 5, 30, month=3), "06:30", "Europe/Vienna") is not None
    assert due_by(utc(30, 4, 29, month=3), "06:30", "Europe/Vienna") is None
    assert due_by(utc(30, 4, 30, month=3), "06:30", "Europe/Vienna") is not None
    # An hour that the change leaves out is due when the clock has jumped over it.
    assert due_by(utc(30, 1, 0, month=3), "02:30", "Europe/Vienna") is not None


@pytest.mark.parametrize("table", [{"to": ["lead"]}, {"at": "6:30"}, {"at": "24:00"}])
def test_a_line_without_an_hour_is_refused(table: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        AllWell.model_validate(table)
