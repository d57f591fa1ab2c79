"""From the link in a mail to an acknowledged alarm: a real watch, a real mailbox, the page as a process."""

from __future__ import annotations

import asyncio
import http.client
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.web.app import OthersByLinkOnly
from simulator.mailbox import Mailbox
from tests.daemon.conftest import authority, mailbox, now_ms, publisher, watched
from tests.daemon.watched import Publisher, Watched
from tests.waiting import eventually
from tests.web.test_page import Page, page

__all__ = ["authority", "mailbox", "now_ms", "page", "publisher", "watched"]


def post(shown: Page, path: str, body: str) -> tuple[int, str | None]:
    connection = http.client.HTTPConnection("127.0.0.1", shown.port, timeout=15)
    try:
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        connection.request("POST", path, body, kind)
        answer = connection.getresponse()
        answer.read()
        return answer.status, answer.headers["location"]
    finally:
        connection.close()


@pytest.mark.serial
@pytest.mark.timeout(240)
def test_the_link_of_a_mail_opens_the_alarm_and_only_its_button_acknowledges(
    watched: Callable[..., Watched],
    publisher: Publisher,
    mailbox: Mailbox,
    page: Callable[[Path], Page],
    now_ms: int,
) -> None:
    watch = watched(more='\n[page]\nurl = "http://gateway.internal:8410"\n')
    watch.start()
    watch.ready(60)
    publisher.publish(now_ms - 1000, 31.5)
    (mail,) = mailbox.wait_for(1, 30)
    found = re.search(
        r"^    http://gateway\.internal:8410(/ack/[a-z2-7]{32})$", mail.part("plain"), re.MULTILINE
    )
    assert found is not None, mail.part("plain")
    assert found[1] in mail.part("html")
    shown = page(watch.path)

    # A program that looks through mail follows the link, as often as it likes.
    for _ in range(3):
        status, text, headers = shown.get(found[1])
    assert status == 200 and "<button>" in text and "as Maintenance lead" in text
    assert "DI outlet: conductivity 31.5 µS/cm, above 20.0 µS/cm" in text
    assert headers["referrer-policy"] == "no-referrer" and headers["cache-control"] == "no-store"
    assert shown.get(found[1], host="gateway.internal")[0] == 200
    assert watch.transitions()[-1].cause == "raised"

    assert shown.get("/ack/" + "a" * 32)[0] == 404
    assert post(shown, "/ack/" + "a" * 32, "")[0] == 404
    assert post(shown, found[1], "comment=" + "x" * 9000)[0] == 413
    assert watch.transitions()[-1].cause == "raised"

    assert post(shown, found[1], "comment=resin+%3Cordered%3E") == (303, found[1])
    last = watch.transitions()[-1]
    assert (last.cause, last.by, last.comment) == ("acknowledged", "lead", "resin <ordered>")
    text = shown.get(found[1])[1]
    assert "Acknowledged by lead at " in text and "resin &lt;ordered&gt;" in text and "<button>" not in text
    post(shown, found[1], "")
    assert len(watch.transitions()) == 2
    assert watch.stop() == 0
    eventually(lambda: shown.get(found[1])[0] == 200)


@pytest.mark.parametrize(
    ("client", "path", "status"),
    [
        ("192.168.1.9", "/", 403),
        ("192.168.1.9", "/events", 403),
        ("192.168.1.9", "/now", 403),
        ("192.168.1.9", "/ack/x", 200),
        ("192.168.1.9", "/look.css", 200),
        ("127.0.0.1", "/", 200),
        ("::1", "/now", 200),
    ],
)
def test_another_machine_reaches_nothing_but_what_is_behind_a_link(
    client: str, path: str, status: int
) -> None:
    sent: list[dict[str, Any]] = []

    async def inside(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def send(message: Any) -> None:
        sent.append(dict(message))

    async def receive() -> dict[str, Any]:
        return {"type": "http.request"}

    scope = {"type": "http", "client": (client, 1), "path": path, "method": "GET", "headers": []}
    asyncio.run(OthersByLinkOnly(inside)(scope, receive, send))
    assert sent[0]["status"] == status
