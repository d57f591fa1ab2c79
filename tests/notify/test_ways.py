"""What every way of delivery keeps to. A new one joins by a line in `WAYS`."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

from monitor.notify import smtp, webhook
from monitor.notify.failures import Temporary
from monitor.notify.way import Surroundings, Way
from simulator.mailbox import Mailbox
from tests.notify.receiver import Receiver
from tests.notify.shop import TO_LEAD, around, mail_server, message
from tests.notify.test_webhook import ENVIRON, hook


@dataclass
class Case:
    """A way with its surroundings, and how many messages its far end holds."""

    way: Way
    around: Surroundings
    arrived: Callable[[], int]


@contextmanager
def email_case() -> Iterator[Case]:
    with Mailbox() as box:
        yield Case(TO_LEAD, around(mail_server(box, security="none")), lambda: len(box.mails))


@contextmanager
def webhook_case() -> Iterator[Case]:
    with Receiver() as receiver:
        yield Case(hook(receiver.port), around(environ=ENVIRON), lambda: len(receiver.received))


WAYS = {smtp.Way: email_case, webhook.Way: webhook_case}


@pytest.fixture(params=WAYS.values(), ids=[module.__module__ for module in WAYS])
def opened(request: pytest.FixtureRequest) -> Callable[[], Case]:
    made: Callable[[], Case] = request.param
    return made


def test_it_hands_over_one_message_and_tells_who_took_it(opened: Callable[..., Case]) -> None:
    with opened() as case:
        detail = case.way.send(message(), case.around)
        assert case.arrived() == 1
    assert "127.0.0.1" in detail and detail.isprintable()


def test_its_kind_and_label_say_what_it_is(opened: Callable[..., Case]) -> None:
    with opened() as case:
        assert case.way.kind and case.way.label
        assert case.way.mistakes(case.around) == []


def test_a_far_end_that_is_away_is_temporary_and_about_the_way(opened: Callable[..., Case]) -> None:
    with opened() as case:
        pass
    with pytest.raises(Temporary) as caught:
        case.way.send(message(), case.around)
    assert caught.value.about == "way"
    assert str(caught.value).isprintable()


def test_it_works_again_after_the_far_end_was_away(opened: Callable[..., Case]) -> None:
    with opened() as gone:
        pass
    with pytest.raises(Temporary):
        gone.way.send(message(), gone.around)
    with opened() as case:
        case.way.send(message(), case.around)
        assert case.arrived() == 1


def test_it_leaves_no_connection_open(opened: Callable[..., Case], monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[socket.socket] = []
    real = socket.create_connection

    def kept(*args: object, **more: object) -> socket.socket:
        made.append(real(*args, **more))  # type: ignore[arg-type]  # handed through as they came
        return made[-1]

    monkeypatch.setattr(socket, "create_connection", kept)
    with opened() as case:
        case.way.send(message(), case.around)
    assert len(made) == 1
    assert made[0].fileno() == -1
