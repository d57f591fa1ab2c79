"""What others hear of a watch that runs, stops, and is killed: a real HTTP receiver, a real broker."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from pydantic import ValidationError

from monitor.alive.heartbeat import Heart, State
from monitor.alive.settings import Heartbeat, StatusTopic
from monitor.clock import MachineClock
from monitor.intake.driver import LinkChange, Parcel
from monitor.notify.webhook import signature
from monitor.plant.model import Site
from tests.daemon.conftest import authority, mailbox, watched
from tests.daemon.watched import Watched
from tests.mosquitto import Mosquitto
from tests.notify.badly import Dripping
from tests.notify.receiver import Receiver
from tests.waiting import eventually, stays

__all__ = ["authority", "mailbox", "watched"]

KEY = "0123456789abcdef0123456789abcdef"
SITE = Site.model_validate({"id": "shop", "name": "Example Shop", "timezone": "UTC", "data": "data"})


class Beating:
    """A heart that beats by itself, and what it told of its link and to people."""

    def __init__(self, port: int, folder: Path, **changes: Any) -> None:
        (folder / "guard-secret").write_text(KEY + "\n")
        settings = {"url": f"http://127.0.0.1:{port}/x", "every": "1 s", "secret_file": "guard-secret"}
        self.links: list[LinkChange] = []
        self.told: list[str] = []
        self.heart = Heart(
            Heartbeat.model_validate(settings | changes),
            SITE,
            self._note,
            MachineClock(),
            folder=folder,
            tell=self._tell,
        )

    def _note(self, change: Parcel | LinkChange) -> None:
        assert isinstance(change, LinkChange)
        self.links.append(change)

    def _tell(self, sentence: str) -> bool:
        self.told.append(sentence)
        return True

    def __enter__(self) -> Beating:
        self.heart.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.heart.stop()


def states(receiver: Receiver) -> list[State]:
    return [json.loads(got.body)["state"] for got in receiver.received]


def test_a_heartbeat_is_signed_says_who_lives_and_the_last_one_says_that_it_is_the_last(
    tmp_path: Path,
) -> None:
    with Receiver() as receiver:
        with Beating(receiver.port, tmp_path) as beating:
            eventually(lambda: len(receiver.received) >= 2)
        assert states(receiver)[0] == "running" and states(receiver)[-1] == "stopped"
        first = receiver.received[0]
        stamp = first.headers["Goodwater-Timestamp"]
        assert first.headers["Goodwater-Signature"] == signature(KEY.encode(), stamp, first.body)
        assert json.loads(first.body)["site"] == {"id": "shop", "name": "Example Shop"}
        assert abs(json.loads(first.body)["time_ms"] - time.time() * 1000) < 60_000
        assert [(link.link, link.up) for link in beating.links] == [("heartbeat to 127.0.0.1", True)]


def test_a_heartbeat_without_a_key_goes_out_unsigned_for_services_that_take_any_knock(tmp_path: Path) -> None:
    with Receiver() as receiver, Beating(receiver.port, tmp_path, secret_file=None):
        eventually(lambda: receiver.received)
        assert "Goodwater-Signature" not in receiver.received[0].headers


def test_what_is_refused_is_told_once_with_the_answer_and_when_it_is_taken_again(tmp_path: Path) -> None:
    with Receiver([(403, {}), (403, {}), (200, {})]) as receiver, Beating(receiver.port, tmp_path) as beating:
        eventually(lambda: len(beating.links) == 2)
        assert [link.up for link in beating.links] == [False, True]
        assert beating.links[0].detail == "127.0.0.1 answered 403 Forbidden"


def test_a_far_end_that_drips_holds_up_nothing_and_a_stop_waits_for_it_a_moment_only(tmp_path: Path) -> None:
    with Dripping(b"HTTP/1.1 ") as far_end:
        beating = Beating(far_end.port, tmp_path, timeout="500 ms")
        with beating:
            eventually(lambda: beating.links, 5)
            began_s = time.monotonic()
        assert time.monotonic() - began_s < 4
        assert "did not finish within 1.5 s" in beating.links[0].detail
        eventually(lambda: "heartbeat" not in {t.name for t in threading.enumerate()}, 5)


def test_people_are_told_once_when_nobody_has_heard_it_for_long(tmp_path: Path) -> None:
    with Dripping() as far_end:
        beating = Beating(far_end.port, tmp_path, timeout="100 ms")
        object.__setattr__(beating.heart._settings, "tell_after", 1500)
        with beating:
            eventually(lambda: beating.told, 8)
            stays(lambda: len(beating.told) == 1, 1.5)
    assert "nobody there would notice if the watch ended now" in beating.told[0]


@pytest.mark.parametrize(
    ("table", "wrong"),
    [
        ({"every": "1 min"}, "a heartbeat needs `url`"),
        ({"url": "http://guard.shop.example/x"}, "could be read and changed on the way"),
        ({"url": "https://guard.shop.example/", "timeout": "0 s"}, "greater than 0"),
    ],
)
def test_a_heartbeat_that_could_not_work_is_refused(table: dict[str, str], wrong: str) -> None:
    with pytest.raises(ValidationError, match=wrong):
        Heartbeat.model_validate(table)


@pytest.mark.parametrize(
    ("table", "wrong"),
    [
        ({"topic": "goodwater/x"}, "needs `broker`"),
        ({"broker": "hall", "topic": "goodwater/+"}, "no topic to publish to"),
    ],
)
def test_a_status_topic_that_could_not_work_is_refused(table: dict[str, str], wrong: str) -> None:
    with pytest.raises(ValidationError, match=wrong):
        StatusTopic.model_validate(table)


class Ear:
    """Somebody who listens to a topic: what was said, and whether it was a memory."""

    def __init__(self, port: int, topic: str) -> None:
        self.heard: list[tuple[str, bool]] = []
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = lambda _, __, m: self.heard.append((m.payload.decode(), bool(m.retain)))
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(topic, qos=1)
        self._client.loop_start()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def ear(broker: Mosquitto) -> Iterator[Callable[[], Ear]]:
    made: list[Ear] = []

    def make() -> Ear:
        made.append(Ear(broker.port, "goodwater/shop/status"))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.mark.serial
@pytest.mark.timeout(240)
def test_a_killed_watch_falls_silent_and_the_broker_says_gone_a_stopped_one_says_so_itself(
    watched: Callable[..., Watched], ear: Callable[[], Ear], tmp_path: Path
) -> None:
    first = ear()
    (tmp_path / "guard-secret").write_text(KEY)
    with Receiver() as receiver:
        url = f"http://127.0.0.1:{receiver.port}/heartbeat/shop"
        more = f"""
[status_topic]
broker = "hall"
every = "1 s"

[heartbeat]
url = "{url}"
every = "1 s"
secret_file = "guard-secret"
"""
        watch = watched(more=more)
        watch.start()
        watch.ready(60)
        # Said again and again, and never as a memory: that is what a guard goes by.
        eventually(lambda: first.heard.count(("running", False)) >= 2 and len(states(receiver)) >= 2, 30)
        watch.kill_daemon()
        eventually(lambda: first.heard[-1] == ("gone", False), 30)
        later, heard = ear(), len(states(receiver))
        eventually(lambda: later.heard[:1] == [("gone", True)])
        assert states(receiver) == ["running"] * heard  # nobody could say that it was the last one

        eventually(lambda: first.heard[-1] == ("running", False), 60)
        eventually(lambda: len(states(receiver)) > heard, 60)
        assert watch.stop() == 0
        eventually(lambda: first.heard[-1] == ("stopped", False))
        stays(lambda: first.heard[-1] == ("stopped", False))
        assert states(receiver)[-1] == "stopped"
