"""Messages that come from no alarm: a test of every way, and word of a fault of the store itself."""

from __future__ import annotations

import pytest

from monitor.notify.smtp import Way
from monitor.notify.trial import Attempt, DirectMail, try_all
from monitor.plant.model import Plant
from tests.mailbox import MakeMailbox
from tests.notify.receiver import Receiver
from tests.notify.shop import NOW_MS, TO_LEAD, around, mail_server, plant
from tests.notify.test_webhook import ENVIRON, hook

MINUTE, DAY = 60_000, 86_400_000


def test_everybody_gets_a_test_by_each_of_their_ways_and_each_result_is_told(
    make_mailbox: MakeMailbox,
) -> None:
    box = make_mailbox()
    with Receiver([(404, {})]) as receiver:
        at = plant(TO_LEAD, Way(kind="email", to="other@shop.example"), hook(receiver.port))
        attempts = try_all(at, around(mail_server(box, security="none"), environ=ENVIRON), NOW_MS)
    taken = f"taken by mail server 127.0.0.1:{box.port}"
    assert attempts == [
        Attempt("lead", "mail to lead@shop.example", True, taken),
        Attempt("lead", "mail to other@shop.example", True, taken),
        Attempt("lead", "webhook 127.0.0.1", False, "webhook 127.0.0.1 answered 404 Not Found"),
    ]
    first, second = box.wait_for(2)
    assert first.parsed["Subject"] == "Test from Goodwater at North hall: nothing is wrong"
    assert first.parsed["Message-ID"] != second.parsed["Message-ID"]
    assert (first.to, second.to) == (("lead@shop.example",), ("other@shop.example",))


def test_two_tests_in_a_row_are_two_messages(make_mailbox: MakeMailbox) -> None:
    box = make_mailbox()
    post = around(mail_server(box, security="none"))
    for now_ms in (NOW_MS, NOW_MS + 1):
        try_all(plant(), post, now_ms)
    first, second = (mail.parsed["Message-ID"] for mail in box.wait_for(2))
    assert first != second


@pytest.fixture
def at() -> Plant:
    return plant()


def test_a_fault_of_the_store_is_told_at_most_daily(at: Plant, make_mailbox: MakeMailbox) -> None:
    box = make_mailbox()
    direct = DirectMail(at, around(mail_server(box, security="none")))
    told = [
        len(direct.tell("nothing can be stored", "Disk full.", NOW_MS + h * 3_600_000)) for h in range(25)
    ]
    assert told == [1] + [0] * 23 + [1]
    assert box.wait_for(2)[0].parsed["Subject"] == "Goodwater at North hall: nothing can be stored"
    assert "Disk full." in box.mails[0].part("plain")


def test_word_of_a_fault_that_got_through_to_nobody_is_tried_again_after_ten_minutes(at: Plant) -> None:
    direct = DirectMail(at, around(mail_server(port=1, security="none")))
    tried = [bool(direct.tell("nothing can be stored", "", NOW_MS + m * MINUTE)) for m in range(12)]
    assert [minute for minute, was in enumerate(tried) if was] == [0, 10]


def test_a_clock_set_back_does_not_silence_word_of_a_fault(at: Plant, make_mailbox: MakeMailbox) -> None:
    box = make_mailbox()
    direct = DirectMail(at, around(mail_server(box, security="none")))
    direct.tell("nothing can be stored", "", NOW_MS)
    assert len(direct.tell("nothing can be stored", "", NOW_MS - 400 * DAY)) == 1
