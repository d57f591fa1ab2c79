"""The delivery loop: nothing lost, nobody deafened, on a clock that the test moves."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.clock import MachineClock
from monitor.notify.delivery import Delivery
from monitor.notify.failures import Permanent, Temporary
from monitor.notify.message import Message
from monitor.notify.settings import DeliverySettings
from monitor.notify.way import Surroundings
from monitor.plant.fields import Table
from monitor.plant.message_ids import message_id
from monitor.plant.model import Plant
from monitor.readings import DeliveryResult, Notice, Owed
from simulator.mailbox import Mailbox
from tests.mailbox import MakeMailbox
from tests.notify.shop import NOW_MS, TO_LEAD, WORDINGS, around, mail_server, owed, plant, transition
from tests.waiting import eventually, stays

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000


class Recording(Table):
    """A way that keeps what it is given, unless one of `FAILS` raises."""

    kind: Literal["recording"] = "recording"
    label: str = "tape"

    def mistakes(self, around: Surroundings) -> list[str]:
        return []

    def send(self, message: Message, around: Surroundings) -> str:
        TRIED.append((self.label, message.message_id))
        for failing in FAILS:
            failing(self.label, message)
        SENT.append((self.label, message.message_id))
        return "kept"


TRIED: list[tuple[str, str]] = []
SENT: list[tuple[str, str]] = []
FAILS: list[Callable[[str, Message], None]] = []


@pytest.fixture(autouse=True)
def _fresh_tapes() -> None:
    for tape in (TRIED, SENT, FAILS):
        tape.clear()


@contextmanager
def failing(error: Exception, label: str | None = None, about: str = "") -> Iterator[None]:
    """While inside, sending by the way with this label, of messages with this in their id, fails."""

    def fail(by: str, message: Message) -> None:
        if label in (None, by) and about in message.message_id:
            raise error

    FAILS.append(fail)
    yield
    FAILS.remove(fail)


@dataclass
class SetClock:
    """A clock that stands until it is moved."""

    ms: int = NOW_MS

    def now_ms(self) -> int:
        return self.ms

    def machine_s(self, shop_s: float) -> float:
        return shop_s


@dataclass
class Outbox:
    """What the store does with rows and results, in memory; `commits` off plays a writer that is behind."""

    clock: SetClock
    rows: dict[int, Owed] = field(default_factory=dict)
    retry_ms: dict[int, int] = field(default_factory=dict)
    results: list[DeliveryResult] = field(default_factory=list)
    pending: list[DeliveryResult] = field(default_factory=list)
    commits: bool = True
    open: bool = True

    def add(self, *rows: Owed) -> None:
        self.rows |= {row.id: replace(row, owed_ms=self.clock.ms) for row in rows}

    def due(self, before_ms: int) -> list[Owed]:
        return [row for id_, row in sorted(self.rows.items()) if self.retry_ms.get(id_, 0) <= before_ms]

    def report(self, result: DeliveryResult) -> None:
        if not self.open:
            raise RuntimeError("the writer's queue is closed")
        self.results.append(result)
        self.pending.append(result)
        if self.commits:
            self.commit()

    def commit(self) -> None:
        for result in self.pending:
            row = self.rows.get(result.owed_id)
            if row is not None and result.outcome == "failed":
                self.rows[row.id] = replace(row, attempts=row.attempts + 1)
                self.retry_ms[row.id] = result.retry_ms
            else:
                self.rows.pop(result.owed_id, None)
        self.pending.clear()

    def outcomes(self) -> list[tuple[int, str]]:
        return [(result.owed_id, result.outcome) for result in self.results]


class Stand:
    """A delivery with its outbox and a clock; `random` always gives the longest delay."""

    def __init__(self, at: Plant | None = None, post: Surroundings | None = None, **limits: Any) -> None:
        self.clock = SetClock()
        self.outbox = Outbox(self.clock)
        self.delivery = Delivery(
            at or plant(Recording()),
            post or around(),
            WORDINGS,
            due=self.outbox.due,
            report=self.outbox.report,
            clock=self.clock,
            random=lambda: 1.0,
            site_file="site.toml",
            settings=DeliverySettings.model_validate(limits),
        )

    def after(self, ms: int) -> float:
        """Let time pass, and make a round."""
        self.clock.ms += ms
        return self.delivery.round()

    def until_done(self, longest_ms: int) -> int:
        """Rounds, each when the last one asked for it, until nothing is owed; gives the rounds."""
        rounds, end_ms = 0, self.clock.ms + longest_ms
        while self.outbox.rows and self.clock.ms < end_ms:
            rounds += 1
            self.clock.ms += max(1, int(self.delivery.round() * 1000))
        assert not self.outbox.rows, f"still owed after {longest_ms} ms: {list(self.outbox.rows)}"
        return rounds


def row(id_: int, *, person: str = "lead", way: int = 0) -> Owed:
    told = transition(occurrence=id_)
    notice = Notice(told.key, person, way)
    return owed(told, id_=id_, notice=notice, message_id=message_id(notice, "north"))


def two_people() -> Plant:
    one = plant(Recording(label="first"))
    second = one.person[0].model_copy(update={"id": "second", "way": (Recording(label="second"),)})
    return one.model_copy(update={"person": (one.person[0], second)})


def test_what_is_owed_is_delivered_in_order_and_reported() -> None:
    stand = Stand()
    stand.outbox.add(row(1), row(2), row(3))
    stand.after(0)
    assert [id_ for _, id_ in SENT] == [row(n).message_id for n in (1, 2, 3)]
    assert stand.outbox.outcomes() == [(1, "delivered"), (2, "delivered"), (3, "delivered")]
    assert stand.outbox.results[0].detail == "kept"


def test_the_message_id_is_that_of_the_row_at_every_try() -> None:
    stand = Stand()
    stand.outbox.add(row(1))
    with failing(Temporary("away")):
        stand.after(0)
        stand.after(2 * MINUTE)
    stand.after(HOUR)
    assert {id_ for _, id_ in TRIED} == {row(1).message_id}
    assert len(TRIED) == 3


def test_a_way_that_is_out_of_order_costs_one_try_a_wait_not_one_a_row() -> None:
    stand = Stand()
    stand.outbox.add(*(row(n) for n in range(1, 51)))
    with failing(Temporary("away")):
        stand.after(0)
        assert len(TRIED) == 1
        stand.after(30_000)
        assert len(TRIED) == 1
        stand.after(31_000)
    assert [("tape", row(1).message_id)] * 2 == TRIED


def test_waits_double_up_to_the_cap_and_no_further() -> None:
    stand = Stand(first_retry="1 min", longest_retry="1 h")
    stand.outbox.add(row(1))
    waits = []
    with failing(Temporary("away")):
        for _ in range(9):
            stand.delivery.round()
            waits.append((stand.outbox.results[-1].retry_ms - stand.clock.ms) // MINUTE)
            stand.clock.ms = stand.outbox.results[-1].retry_ms
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_the_random_part_takes_at_most_half_of_a_wait() -> None:
    stand = Stand()
    stand.delivery._random = lambda: 0.0
    stand.outbox.add(row(1))
    with failing(Temporary("away")):
        stand.after(0)
    assert stand.outbox.results[-1].retry_ms == NOW_MS + 30_000


def test_a_receiver_that_asks_for_more_time_gets_it_up_to_the_cap() -> None:
    stand = Stand()
    stand.outbox.add(row(1))
    with failing(Temporary("slow down", wait_s=600)):
        stand.after(0)
        assert stand.outbox.results[-1].retry_ms == NOW_MS + 600_000
    with failing(Temporary("slow down", wait_s=1e9)):
        stand.after(HOUR)
        assert stand.outbox.results[-1].retry_ms == NOW_MS + 2 * HOUR


def test_what_was_held_back_leaves_in_its_order() -> None:
    stand = Stand()
    stand.outbox.add(*(row(n) for n in range(1, 31)))
    with failing(Temporary("away")):
        for _ in range(5):
            stand.after(HOUR)
    stand.after(HOUR)
    stand.until_done(HOUR)
    assert [id_ for _, id_ in SENT] == [row(n).message_id for n in range(1, 31)]


def test_one_way_out_of_order_does_not_hold_up_another() -> None:
    stand = Stand(two_people())
    stand.outbox.add(*(row(n) for n in range(1, 41)), row(100, person="second"))
    with failing(Temporary("away"), label="first"):
        stand.after(0)
    assert [("second", row(100, person="second").message_id)] == SENT


def test_one_way_with_much_to_take_does_not_make_another_wait_for_all_of_it() -> None:
    stand = Stand(two_people())
    stand.outbox.add(*(row(n) for n in range(1, 101)), row(200, person="second"))
    assert stand.after(0) == 0.0
    assert ("second", row(200, person="second").message_id) in SENT
    assert 20 <= len(SENT) < 101
    stand.until_done(HOUR)
    assert len(SENT) == 101


def test_news_breaks_a_wait_that_has_grown_long() -> None:
    stand = Stand()
    stand.outbox.add(row(1))
    with failing(Temporary("away")):
        for _ in range(8):
            stand.clock.ms += HOUR
            stand.delivery.round()
    stand.after(2 * MINUTE)
    assert SENT == []
    stand.outbox.add(row(2))
    stand.after(0)
    assert [id_ for _, id_ in SENT] == [row(1).message_id, row(2).message_id]


def test_a_flood_of_news_does_not_hammer_a_way_that_is_out_of_order() -> None:
    stand = Stand(first_retry="1 min")
    with failing(Temporary("away")):
        for n in range(1, 121):
            stand.outbox.add(row(n))
            stand.after(1_000)
    assert len(TRIED) <= 3


def test_a_message_that_its_far_end_puts_off_waits_alone() -> None:
    stand = Stand()
    stand.outbox.add(row(1), row(2))
    with failing(Temporary("greylisted", about="message"), about="_23_1_2e_"):
        stand.after(0)
        assert [("tape", row(2).message_id)] == SENT
        stand.outbox.add(row(3))
        stand.after(1_000)
        assert SENT[-1] == ("tape", row(3).message_id)
    assert len(TRIED) == 3
    stand.after(2 * MINUTE)
    assert SENT[-1] == ("tape", row(1).message_id)


def test_a_message_put_off_asks_to_be_woken_when_its_own_wait_is_over() -> None:
    stand = Stand(first_retry="10 s")
    stand.outbox.add(row(1))
    with failing(Temporary("greylisted", about="message")):
        assert stand.after(0) == pytest.approx(10.0)
        assert stand.after(4_000) == pytest.approx(6.0)


def test_what_was_put_off_comes_after_what_was_never_tried() -> None:
    stand = Stand()
    stand.outbox.add(row(1))
    with failing(Temporary("greylisted", about="message")):
        stand.after(0)
    stand.outbox.add(row(2))
    stand.after(2 * MINUTE)
    assert [id_ for _, id_ in SENT] == [row(2).message_id, row(1).message_id]


def test_after_a_stop_nothing_new_is_begun() -> None:
    stand = Stand()
    stand.outbox.add(row(1), row(2))

    def stop(label: str, message: Message) -> None:
        stand.delivery.stop(0)

    FAILS.append(stop)
    stand.after(0)
    assert stand.outbox.outcomes() == [(1, "delivered")]
    assert len(TRIED) == 1


def test_a_permanent_failure_is_given_up_with_its_reason_and_the_rest_goes_on() -> None:
    stand = Stand()
    stand.outbox.add(row(1), row(2))
    with failing(Permanent("550 no such person"), about="_23_1_2e_"):
        stand.after(0)
    assert stand.outbox.outcomes() == [(1, "given-up"), (2, "delivered")]
    assert stand.outbox.results[0].detail == "550 no such person"


def test_after_a_week_it_is_given_up_with_the_last_reason() -> None:
    stand = Stand()
    stand.outbox.add(row(1), row(2))
    with failing(Temporary("mail server cannot be reached")):
        end_ms = stand.clock.ms + 8 * DAY
        while stand.clock.ms < end_ms and stand.outbox.rows:
            assert stand.clock.ms < NOW_MS + 7 * DAY + 2 * HOUR
            stand.clock.ms += max(1, int(stand.delivery.round() * 1000))
    assert [pair for pair in stand.outbox.outcomes() if pair[1] == "given-up"] == [
        (1, "given-up"),
        (2, "given-up"),
    ]
    assert stand.clock.ms >= NOW_MS + 7 * DAY
    assert stand.outbox.results[-1].detail == (
        "not delivered within 7 days; the last try: mail server cannot be reached"
    )


def test_a_machine_that_was_off_for_a_month_still_tries_before_it_gives_up() -> None:
    stand = Stand()
    stand.outbox.add(row(1))
    stand.clock.ms += 30 * DAY
    with failing(Temporary("the net is not up yet")):
        stand.after(0)
        stand.after(2 * MINUTE)
    stand.after(HOUR)
    assert stand.outbox.outcomes()[-1] == (1, "delivered")


def test_a_person_who_is_gone_is_given_up_at_once() -> None:
    stand = Stand()
    stand.outbox.add(row(1, person="gone"), row(2, way=4), row(3))
    stand.after(0)
    details = {result.owed_id: (result.outcome, result.detail) for result in stand.outbox.results}
    assert details[1] == ("given-up", "gone is no longer in the site file")
    assert details[2] == ("given-up", "lead no longer has a way of delivery number 5")
    assert details[3][0] == "delivered"


def test_nothing_is_sent_twice_while_the_writer_is_behind() -> None:
    stand = Stand()
    stand.outbox.commits = False
    stand.outbox.add(row(1), row(2))
    with failing(Permanent("no"), about="_23_2_2e_"):
        for _ in range(5):
            stand.after(1_000)
    assert len(TRIED) == 2
    assert len(stand.outbox.results) == 2
    stand.outbox.commit()
    stand.after(1_000)
    assert len(TRIED) == 2


def test_a_result_that_never_reached_the_outbox_is_reported_again_and_not_sent_again() -> None:
    stand = Stand()
    stand.outbox.commits = False
    stand.outbox.add(row(1))
    stand.after(0)
    stand.outbox.pending.clear()
    stand.outbox.commits = True
    stand.after(11 * MINUTE)
    assert stand.outbox.outcomes() == [(1, "delivered"), (1, "delivered")]
    assert len(SENT) == 1
    assert stand.outbox.rows == {}


def test_with_the_writer_closed_nothing_is_lost_and_nothing_more_is_sent() -> None:
    stand = Stand()
    stand.outbox.open = False
    stand.outbox.add(row(1), row(2))
    for _ in range(3):
        with pytest.raises(RuntimeError, match="queue is closed"):
            stand.after(1_000)
    assert len(SENT) == 1
    stand.outbox.open = True
    stand.after(1_000)
    assert stand.outbox.outcomes() == [(1, "delivered"), (2, "delivered")]
    assert len(SENT) == 2


def test_after_a_restart_all_is_tried_at_once() -> None:
    stand = Stand()
    stand.outbox.add(row(1))
    with failing(Temporary("away")):
        for _ in range(8):
            stand.after(HOUR)
    again = Stand()
    again.outbox.rows, again.outbox.retry_ms = stand.outbox.rows, stand.outbox.retry_ms
    again.clock.ms = stand.clock.ms
    again.after(1_000)
    assert len(SENT) == 1


def test_a_clock_set_back_does_not_make_anybody_wait_for_it() -> None:
    stand = Stand()
    stand.outbox.add(row(1))
    with failing(Temporary("away")):
        stand.after(0)
    stand.clock.ms -= 30 * DAY
    stand.outbox.retry_ms.clear()
    assert stand.delivery.round() >= 0
    assert len(SENT) == 1


def test_a_mistake_in_one_message_holds_up_no_other(caplog: pytest.LogCaptureFixture) -> None:
    stand = Stand()
    stand.outbox.add(row(1), row(2))
    with failing(ZeroDivisionError("oh"), about="_23_1_2e_"):
        stand.after(0)
        stand.after(2 * MINUTE)
    assert stand.outbox.outcomes() == [(1, "failed"), (2, "delivered"), (1, "failed")]
    assert "a mistake inside Goodwater: ZeroDivisionError('oh')" in stand.outbox.results[0].detail
    assert caplog.text.count("Traceback") == 1


def test_trouble_is_logged_on_change_only(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    stand = Stand()
    stand.outbox.add(row(1))
    with failing(Temporary("the server is away")):
        for _ in range(6):
            stand.after(HOUR)
    stand.after(HOUR)
    assert [record.getMessage() for record in caplog.records] == [
        "tape for lead does not work: the server is away",
        "tape for lead works again after 6 tries",
    ]


def test_a_round_with_nothing_to_do_asks_for_a_minute() -> None:
    assert Stand().after(0) == 60.0


def test_a_failed_way_asks_to_be_woken_when_its_wait_is_over() -> None:
    stand = Stand(first_retry="10 s")
    stand.outbox.add(row(1))
    with failing(Temporary("away")):
        assert stand.after(0) == pytest.approx(10.0)
        assert stand.after(4_000) == pytest.approx(6.0)


@settings(max_examples=60, deadline=None)
@given(
    plan=st.lists(
        st.tuples(st.sampled_from(["ok", "way", "message", "behind", "closed"]), st.integers(1, 90)),
        max_size=25,
    ),
    rows=st.integers(1, 8),
)
def test_whatever_fails_each_row_is_delivered_once_in_the_end(plan: list[tuple[str, int]], rows: int) -> None:
    for tape in (TRIED, SENT, FAILS):
        tape.clear()
    stand = Stand(two_people())
    waiting = [row(n, person="lead" if n % 2 else "second") for n in range(1, rows + 1)]
    for what, minutes in plan:
        if waiting:
            stand.outbox.add(waiting.pop())
        stand.outbox.commits, stand.outbox.open = what != "behind", what != "closed"
        error = Temporary("no", about="message" if what == "message" else "way")
        if what in ("way", "message"):
            with failing(error):
                stand.after(minutes * MINUTE)
        elif what == "closed":
            try:
                stand.after(minutes * MINUTE)
            except RuntimeError:
                continue
        else:
            stand.after(minutes * MINUTE)
    stand.outbox.add(*waiting)
    stand.outbox.commits = stand.outbox.open = True
    stand.outbox.commit()
    stand.until_done(3 * HOUR)
    assert sorted(id_ for _, id_ in SENT) == sorted(
        row(n, person="lead" if n % 2 else "second").message_id for n in range(1, rows + 1)
    )


class Live:
    """A delivery on the machine's clock in its own thread, with short waits."""

    def __init__(self, at: Plant, post: Surroundings) -> None:
        self.lock = threading.Lock()
        self.rows: dict[int, Owed] = {}
        self.results: list[DeliveryResult] = []
        self.clock = MachineClock()
        self.delivery = Delivery(
            at,
            post,
            WORDINGS,
            due=self._due,
            report=self._report,
            clock=self.clock,
            random=lambda: 0.0,
            site_file="site.toml",
            settings=DeliverySettings.model_validate({"first_retry": "1 s", "longest_retry": "1 s"}),
        )

    def _due(self, before_ms: int) -> list[Owed]:
        with self.lock:
            return list(self.rows.values())

    def _report(self, result: DeliveryResult) -> None:
        with self.lock:
            self.results.append(result)
            if result.outcome != "failed":
                del self.rows[result.owed_id]

    def owe(self, *rows: Owed) -> None:
        with self.lock:
            self.rows |= {row.id: replace(row, owed_ms=self.clock.now_ms()) for row in rows}
        self.delivery.wake()

    def __enter__(self) -> Live:
        self.delivery.start()
        return self

    def __exit__(self, *_: object) -> None:
        assert self.delivery.stop(10)


def test_a_wake_up_is_enough_for_a_mail_to_go(mailbox: Mailbox, authority: Any) -> None:
    server = mail_server(mailbox, ca_file=str(authority.file), username="goodwater", password_env="MAIL")
    with Live(plant(), around(server, environ={"MAIL": "correct horse"})) as live:
        live.owe(row(1))
        [mail] = mailbox.wait_for(1)
        eventually(lambda: live.rows == {})
    assert mail.parsed["Message-ID"] == row(1).message_id
    assert live.results[0].outcome == "delivered"


def test_mail_held_back_by_a_server_that_is_away_arrives_when_it_is_back(make_mailbox: MakeMailbox) -> None:
    with Mailbox() as away:
        port = away.port
    with Live(plant(), around(mail_server(port=port, security="none"))) as live:
        live.owe(row(1), row(2))
        eventually(lambda: len(live.results) >= 2)
        assert {result.outcome for result in live.results} == {"failed"}
        assert "cannot be reached: Connection refused" in live.results[0].detail
        back = make_mailbox(port=port)
        mails = back.wait_for(2)
        eventually(lambda: live.rows == {})
        assert [mail.parsed["Message-ID"] for mail in mails] == [row(1).message_id, row(2).message_id]
        stays(lambda: len(back.mails) == 2)


def test_an_outbox_that_cannot_be_read_stops_delivery_only_until_it_can(
    caplog: pytest.LogCaptureFixture,
) -> None:
    with Live(plant(Recording()), around()) as live:
        real, calls = live.delivery._due, []

        def broken(before_ms: int) -> list[Owed]:
            calls.append(before_ms)
            raise OSError("database is locked")

        live.delivery._due = broken
        live.delivery.wake()
        eventually(lambda: calls)
        live.delivery._due = real
        live.owe(row(1))
        eventually(lambda: SENT)
    assert "database is locked" in caplog.text


def test_stopping_waits_for_no_delay() -> None:
    with Live(plant(TO_LEAD), around(mail_server(port=1, security="none"))) as live:
        live.owe(row(1))
        eventually(lambda: live.results)
