"""The live page as a process of its own, beside a watch that runs."""

from __future__ import annotations

import http.client
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.daemon.conftest import authority, mailbox, now_ms, publisher, watched
from tests.daemon.watched import Publisher, Watched
from tests.mosquitto import free_port
from tests.waiting import eventually

__all__ = ["authority", "mailbox", "now_ms", "publisher", "watched"]

pytestmark = pytest.mark.serial


class Page:
    """`goodwater page SITE`."""

    def __init__(self, site: Path) -> None:
        self.port = free_port()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "page", str(site), "--port", str(self.port)],
            stdout=subprocess.DEVNULL,
        )

    def get(self, path: str = "/", host: str = "127.0.0.1") -> tuple[int, str, http.client.HTTPMessage]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request("GET", path, headers={"Host": f"{host}:{self.port}"})
            answer = connection.getresponse()
            return answer.status, answer.read().decode(), answer.headers
        finally:
            connection.close()

    def answers(self) -> bool:
        try:
            return self.get()[0] > 0
        except OSError:
            return False

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(10)


@pytest.fixture
def page() -> Iterator[Callable[[Path], Page]]:
    made: list[Page] = []

    def make(site: Path) -> Page:
        made.append(Page(site))
        eventually(made[-1].answers, 60)
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_the_page_shows_value_alarm_and_quality_and_says_when_nobody_watches(
    watched: Callable[..., Watched], publisher: Publisher, page: Callable[[Path], Page], now_ms: int
) -> None:
    watch = watched()
    shown = page(watch.path)
    assert shown.get()[0] == 503  # nothing is stored yet, and it says so
    assert "goodwater run" in shown.get()[1]
    watch.start()
    watch.ready()
    publisher.publish(now_ms, 31.5)
    eventually(lambda: "31.5 µS/cm" in shown.get("/now")[1])
    status, text, headers = shown.get()
    assert status == 200
    assert "DI outlet: conductivity 31.5 µS/cm, above 20.0 µS/cm" in text
    assert "not acknowledged" in text and "Do not rely on this page.</strong> It" in text
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "daemon is down" not in text
    watch.stop()
    assert "daemon is down" in shown.get()[1]


def test_a_commit_of_the_watch_reaches_the_page_as_an_event(
    watched: Callable[..., Watched], publisher: Publisher, page: Callable[[Path], Page], now_ms: int
) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    shown = page(watch.path)
    connection = http.client.HTTPConnection("127.0.0.1", shown.port, timeout=10)
    connection.request("GET", "/events")
    stream = connection.getresponse()
    assert stream.getheader("content-type", "").startswith("text/event-stream")
    assert stream.readline() == b"data: changed\n"
    publisher.publish(now_ms, 5.0)
    stream.readline()
    assert stream.readline() == b"data: changed\n"
    connection.close()
    watch.stop()


def test_the_page_answers_to_no_other_name(
    watched: Callable[..., Watched], page: Callable[[Path], Page]
) -> None:
    shown = page(watched().path)
    assert shown.get(host="elsewhere.example")[0] == 400


def test_a_name_from_the_site_file_cannot_become_markup(
    watched: Callable[..., Watched], page: Callable[[Path], Page]
) -> None:
    watch = watched()
    text = watch.path.read_text().replace('name = "DI bed"', "name = '<script>alert(1)</script>'")
    watch.path.write_text(text)
    watch.start()
    watch.ready()
    body = page(watch.path).get()[1]
    assert "<script>alert" not in body and "&lt;script&gt;alert" in body
    watch.stop()
