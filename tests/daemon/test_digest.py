"""The weekly digest of a real watch: a process of its own makes it, a real mail server is handed it, once."""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable

import pytest

from monitor.clock import PlayedClock
from monitor.reports.figures import from_json
from monitor.reports.week import Week
from monitor.store import reader
from monitor.store.files import open_reader
from simulator.mailbox import Mail, Mailbox
from tests.daemon.watched import Watched
from tests.reports.shop import HOUR, Shop
from tests.reports.test_made import Outside, valid
from tests.store.kept import Kept
from tests.waiting import eventually

# After today: the clock of a store must not run backwards for its tests. Zone of the shop: UTC.
WEEK = Week.parse("2031-W07", "UTC")
READER = """
[[person]]
id = "reader"
name = "Production lead"
priorities = ["high"]
digest = true
way = [{ kind = "email", to = "reader@shop.example", via = "office" }]
"""


@pytest.mark.serial
def test_off_over_monday_the_digest_comes_once_by_mail_with_its_pictures(
    watched: Callable[..., Watched], mailbox: Mailbox
) -> None:
    one = watched(more=READER, interval="20 min")
    store = Kept(one.path.parent, one.path.read_text(encoding="utf-8"), quick=True)
    with contextlib.closing(store.writer):
        filled = Shop(store)
        for week in (WEEK.earlier(), WEEK):
            filled.ticks(week.from_ms, week.to_ms, HOUR)
            filled.said("di.ec", week)
    # On Tuesday the machine is switched on; a hundred times as fast as ours, so settled after six seconds.
    now = time.time_ns() // 1_000_000
    tuesday = WEEK.due_ms + 30 * HOUR
    clock = str(PlayedClock(((now, tuesday), (now + 1_000_000, tuesday + 100_000_000))))
    one.start("--clock", clock)
    one.ready(60)

    def arrived() -> list[Mail]:
        return [mail for mail in mailbox.mails if "reader@shop.example" in mail.to]

    (mail,) = eventually(arrived, 60, what="the digest arrives")
    assert one.stop() == 0

    letter = mail.parsed
    assert letter["X-Goodwater-Report"] == "digest/2031-W07"
    assert letter["To"] == "Production lead <reader@shop.example>"
    assert letter["Subject"].startswith("Week 2031-W07 at Example Shop")
    assert letter["In-Reply-To"] is None
    plain, html = letter.get_body(("plain",)), letter.get_body(("html",))
    assert plain is not None
    assert html is not None
    assert "DI meter, DI outlet: fine" in plain.get_content()
    valid(html.get_content())
    pictures = {
        part["Content-ID"].strip("<>"): part
        for part in letter.walk()
        if part.get_content_type() == "image/png"
    }
    assert sorted(Outside(html.get_content()).found) == sorted(f"src=cid:{name}" for name in pictures)
    assert [part.get_content()[:4] for part in pictures.values()] == [b"\x89PNG"] * 2
    with contextlib.closing(open_reader(one.data)) as connection:
        (body,) = connection.execute("select body from report").fetchone()
        assert reader.has_report(connection, "digest", "2031-W07")
    assert from_json(json.loads(body)).instruments[0].channels[0].readings == 504
