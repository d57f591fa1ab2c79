"""How a mirror stands, in words: the commands, the check, the message; and a watch that has one."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.check.copies import of_mirrors
from monitor.cli import main
from simulator.mailbox import Mailbox
from tests.daemon.conftest import mailbox, publisher, watched
from tests.daemon.watched import Publisher, Watched
from tests.mirror.conftest import START_MS
from tests.mirror.point_server import PointServer
from tests.mirror.shop import HOUR, MINUTE, Driven, reading, write_site
from tests.waiting import eventually

__all__ = ["mailbox", "publisher", "watched"]

Drive = Callable[..., Driven]
Screen = pytest.CaptureFixture[str]


def said(screen: Screen, shop: Driven, *words: str) -> tuple[int, str]:
    code = main(["mirror", str(shop.shop.site.path), *words])
    return code, screen.readouterr().out


def test_a_mirror_that_has_not_run_yet_says_so(drive: Drive, capsys: Screen) -> None:
    code, text = said(capsys, drive())
    assert (code, "office  has not run yet" in text) == (0, True)


def test_a_mirror_that_works_says_what_it_sent_lost_and_compared(
    drive: Drive, server: PointServer, capsys: Screen
) -> None:
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store([reading("m0.ec", START_MS + n * MINUTE) for n in range(10)])
    shop.on(10_000)
    server.stored.clear()
    shop.on(HOUR)
    code, text = said(capsys, shop)
    assert code == 0
    assert f"office  up  {server.url}  all readings sent, last acknowledged" in text
    assert "points sent  10" in text
    assert "lost after acknowledgement and sent again: 10" in text


def test_a_mirror_that_fails_says_since_when_and_why_and_what_waits(
    drive: Drive, server: PointServer, capsys: Screen
) -> None:
    shop = drive()
    shop.on()
    server.answer = 404, '{"message": "bucket \\"water\\" not found"}', ""
    shop.shop.store([reading("m0.ec", START_MS + n * MINUTE) for n in range(180)])
    shop.on(10_000)
    code, text = said(capsys, shop)
    assert code == 1
    assert "office  FAILS" in text
    assert "since 2026-06-01 08:00:10 +0200: it knows no bucket" in text
    assert "of readings wait" in text


def test_points_that_are_not_kept_are_said_until_a_person_has_them_compared_anew(
    drive: Drive, server: PointServer, capsys: Screen
) -> None:
    server.keeps = lambda line: not line.endswith(f" {START_MS}")
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store([reading("m0.ec", START_MS + n * MINUTE) for n in range(10)])
    for _ in range(30):
        shop.on(HOUR)
    code, text = said(capsys, shop)
    assert (code, "LOSES POINTS" in text, "never kept   1, one of them: goodwater_reading," in text) == (
        1,
        True,
        True,
    )
    server.keeps = lambda line: True
    code, text = said(capsys, shop, "--compare-since", "2026-06-01")
    assert (code, "since 2026-06-01 00:00:00 +0200 is compared with the server" in text) == (0, True)
    shop.on(HOUR)
    assert said(capsys, shop)[0] == 0
    assert sorted(server.has("goodwater_reading_value"))[0] == (START_MS, 5.0)
    assert len(server.has("goodwater_reading_value")) == 10


def test_a_mirror_that_cannot_ask_says_that_it_believes(drive: Drive, capsys: Screen) -> None:
    shop = drive(read_back='{ kind = "none" }')
    shop.on()
    assert "never: read_back is none, so what it acknowledges is believed" in said(capsys, shop)[1]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--id", "elsewhere"], 'no mirror "elsewhere"; there are: office'),
        (["--compare-since", "soon"], "is no time"),
    ],
)
def test_what_cannot_be_is_refused_in_words(drive: Drive, capsys: Screen, words: list[str], why: str) -> None:
    assert main(["mirror", str(drive().shop.site.path), *words]) == 2
    assert why in capsys.readouterr().err


def test_check_says_what_a_mirror_lacks(tmp_path: Path) -> None:
    text = '[[mirror]]\nid = "a"\nurl = "http://localhost:1"\nbucket = "b"\n'
    more = 'token_env = "NONE"\nread_back = { kind = "none" }\n'
    soon = 'compare_after = ["10 s"]\nread_back = { kind = "flux" }\n'
    site = write_site(tmp_path, text + more + text.replace('"a"', '"c"') + soon)
    found = [str(caution) for caution in of_mirrors(site, {})]
    assert [("NONE" in one, "is believed" in one, "in memory only" in one) for one in found] == [
        (True, False, False),
        (False, True, False),
        (False, False, True),
    ]


def test_a_watch_mirrors_tells_of_a_long_failure_by_mail_and_goes_on_by_itself(
    watched: Callable[..., Watched], publisher: Publisher, mailbox: Mailbox, server: PointServer
) -> None:
    server.answer = 401, "", ""
    more = f"""
[[mirror]]
id = "office"
url = "{server.url}"
bucket = "water"
every = "1 s"
tell_after = "1 s"
read_back = {{ kind = "victoria-metrics" }}
"""
    watch = watched(more=more)
    watch.start()
    watch.ready()
    publisher.publish(time.time_ns() // 1_000_000, 5.0)
    mail = eventually(lambda: mailbox.mails and mailbox.mails[0].parsed, 40, what="a mail of the failure")
    assert 'mirror "office" gets nothing' in str(mail["Subject"])
    assert "check token_file or token_env" in mail.get_body(("plain",)).get_content().replace("\n", " ")
    command = [sys.executable, "-m", "monitor.cli", "status", str(watch.path)]
    status = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (status.returncode, "office  FAILS" in status.stdout) == (1, True)
    server.answer = 204, "", ""
    eventually(lambda: server.has("goodwater_reading_value", channel="di.ec"), 40, what="it goes on")
    assert watch.stop() == 0
    assert len(mailbox.mails) == 1
