"""What a link comes to, in words: open, used, over, expired, forged; and that only a press changes things."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from monitor.acknowledging.desk import Desk
from monitor.acknowledging.links import Links
from monitor.acknowledging.settings import PageSettings
from monitor.plant.message_ids import message_id
from monitor.readings import AlarmState, Notice, Owed, Transition
from monitor.store import reader
from monitor.store.files import open_reader
from monitor.store.writer import Batch, Writer
from tests.notify.shop import NOW_MS, plant, transition

DAY = 86_400_000
PAGE = PageSettings.model_validate({"url": "http://192.168.1.5:8410/", "link_valid": "2 d"})


class Shop:
    """A store in which alarms happen, and the desk over it."""

    def __init__(self, folder: Path) -> None:
        self.data, self.now_ms, self._seq = folder, NOW_MS, 0
        self.writer = Writer(folder, NOW_MS, partial(message_id, site_id="north"))
        self.desk = Desk(plant(), folder, lambda: self.now_ms)
        self.links = Links(PAGE, "north", folder)

    def happens(self, one: Transition, *, told: bool = False) -> None:
        self._seq += 1
        notices = [Notice(one.key, "lead", 0)] if told else []
        self.writer.commit(Batch(self.now_ms, transitions=[(self._seq, one)], notices=notices))

    def link(self, told: Transition | None = None) -> str:
        """An alarm is raised and told; the token of its link."""
        self.happens(told or transition(), told=True)
        address = self.links.of(self.owed()[-1])
        assert address.startswith("http://192.168.1.5:8410/ack/")
        return address.rpartition("/")[2]

    def owed(self) -> list[Owed]:
        with contextlib.closing(open_reader(self.data)) as connection:
            return [row for row in reader.owed(connection, self.now_ms + DAY) if isinstance(row, Owed)]

    def inbox(self) -> list[tuple[Any, ...]]:
        rows = self.writer.connection.execute("select action, target, by, comment from inbox order by id")
        return [tuple(row) for row in rows]


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(tmp_path)
    yield made
    made.writer.close()


ACKNOWLEDGED = transition(
    cause="acknowledged", state=AlarmState.ACKNOWLEDGED, step=2, by="boss", comment="resin ordered"
)


def test_to_look_changes_nothing_and_to_press_puts_what_the_person_did_into_the_inbox(shop: Shop) -> None:
    token = shop.link()
    for _ in range(3):
        assert shop.desk.look(token).open
    assert shop.inbox() == []
    answer = shop.desk.acknowledge(token, "on my way")
    assert answer.status == 202 and "as soon as the watch runs again" in answer.words
    assert shop.inbox() == [("acknowledge", "di-limit#3", "lead", "on my way")]


def test_the_same_row_has_the_same_link_at_every_try(shop: Shop) -> None:
    shop.link()
    (row,) = shop.owed()
    first = shop.links.of(row)
    shop.now_ms += 3_600_000
    assert shop.links.of(shop.owed()[0]) == first


def test_a_used_link_says_who_acknowledged_and_does_nothing_more(shop: Shop) -> None:
    token = shop.link()
    shop.happens(ACKNOWLEDGED)
    answer = shop.desk.acknowledge(token, "again")
    assert (answer.status, answer.open) == (200, False)
    assert answer.words.startswith("Acknowledged by boss at ") and "resin ordered" in answer.words
    assert shop.inbox() == []


def test_a_used_link_does_not_acknowledge_what_became_worse_after_it(shop: Shop) -> None:
    token = shop.link()
    shop.happens(ACKNOWLEDGED)
    shop.happens(transition(cause="worse", state=AlarmState.UNACKNOWLEDGED, step=3))
    assert not shop.desk.look(token).open
    newer = shop.link(transition(cause="worse", state=AlarmState.UNACKNOWLEDGED, step=4))
    assert shop.desk.look(newer).open


def test_the_link_of_an_alarm_that_is_over_acknowledges_no_later_one(shop: Shop) -> None:
    token = shop.link()
    shop.happens(transition(cause="returned", state=AlarmState.RETURNED, step=2))
    assert shop.desk.look(token).open  # over, but nobody has said that it was seen
    shop.happens(transition(occurrence=4))
    answer = shop.desk.acknowledge(token, "")
    assert not answer.open and "another one of the same kind stands" in answer.words
    assert shop.inbox() == []


def test_an_expired_link_says_until_when_it_was_good_and_how_the_alarm_stands(shop: Shop) -> None:
    token = shop.link()
    shop.now_ms += 2 * DAY + 120_000
    answer = shop.desk.acknowledge(token, "")
    assert answer.status == 410 and answer.words.startswith("This link was good until 2031-02-19 ")
    assert "Nobody has acknowledged it yet" in answer.words
    assert shop.inbox() == []


def test_a_forged_link_shows_no_alarm_and_changes_nothing(shop: Shop) -> None:
    token = shop.link()
    for wrong in (token[:-1] + ("a" if token[-1] != "a" else "b"), "a" * 32, "", "../..", token + "a"):
        answer = shop.desk.acknowledge(wrong, "")
        assert (answer.status, answer.alarm, answer.open) == (404, None, False)
        assert "not made by this Goodwater" in answer.words
    assert shop.inbox() == []


def test_a_link_is_worth_nothing_after_its_row_became_another_message(shop: Shop, tmp_path: Path) -> None:
    """As after a restored backup, where the numbers of rows are given a second time."""
    token = shop.link()
    shop.writer.connection.execute("update outbox set transition_key = 'di-limit#9.1'")
    shop.happens(transition(occurrence=9))
    assert shop.desk.look(token).status == 404


def test_no_link_is_made_where_no_address_is_known_or_no_key_can_be_kept(shop: Shop, tmp_path: Path) -> None:
    shop.happens(transition(), told=True)
    (row,) = shop.owed()
    assert Links(PageSettings(), "north", shop.data).of(row) == ""
    assert Links(PAGE, "north", tmp_path / "not-there").of(row) == ""
    assert Links(PAGE, "north", shop.data).of(replace(row, id=2**40)) == ""
