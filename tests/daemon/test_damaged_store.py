"""A store that is damaged, at the start or while in use: set aside, told, and the watch goes on."""

from __future__ import annotations

import contextlib
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.replay.stream import replayed
from monitor.store import reader
from monitor.store.files import STORE, open_reader
from monitor.watch import Watch
from simulator.mailbox import Mailbox
from tests.daemon.watched import Publisher, Watched
from tests.waiting import eventually

pytestmark = pytest.mark.serial

Make = Callable[..., Watched]
ALARM = "store-set-aside"


def told(watch: Watched, mailbox: Mailbox) -> str:
    """Wait for the alarm's message; the name of the file it says was set aside."""
    eventually(lambda: any("store was damaged" in str(m.parsed["Subject"]) for m in mailbox.mails), 30)
    (mail,) = (m for m in mailbox.mails if "store was damaged" in str(m.parsed["Subject"]))
    (aside,) = (path.name for path in watch.data.glob("goodwater.damaged-*.db"))
    assert aside in "".join(mail.part("plain").split())
    assert [t.condition for t in watch.transitions() if t.cause == "raised"].count(ALARM) == 1
    return aside


def test_a_file_that_is_no_store_is_set_aside_at_the_start_and_the_watch_goes_on(
    watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int
) -> None:
    watch = watched()
    watch.data.mkdir()
    garbage = b"garbage " * 1000
    (watch.data / STORE).write_bytes(garbage)
    watch.start()
    watch.ready(60)
    aside = told(watch, mailbox)
    assert (watch.data / aside).read_bytes() == garbage
    publisher.publish(now_ms, 5.0)
    eventually(watch.readings)
    command = [sys.executable, "-m", "monitor.cli", "ack", str(watch.path), ALARM, "--by", "lead"]
    assert subprocess.run(command, timeout=60, check=False, capture_output=True).returncode == 0
    assert watch.stop() == 0
    assert "Traceback" not in watch.log
    causes = [t.cause for t in watch.transitions() if t.condition == ALARM]
    assert causes[:2] == ["raised", "acknowledged"]
    with contextlib.closing(open_reader(watch.data)) as connection:
        kept = [transition for _, transition in reader.transitions(connection)]
        assert replayed(Watch(watch.site.plant, watch.site.rules), reader.stream(connection)) == kept


def spoil_all_but(path: Path, tables: tuple[str, ...]) -> None:
    """Write over every page of the file but the first and those where the tables begin, and have whoever
    has it open read it anew."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("pragma wal_checkpoint(truncate)")
        names = ", ".join("?" * len(tables))
        roots = connection.execute(f"select rootpage from sqlite_master where tbl_name in ({names})", tables)
        kept = {1, *(row[0] for row in roots)}
        (size,) = connection.execute("pragma page_size").fetchone()
        with path.open("r+b") as file:
            for page in range(1, path.stat().st_size // size + 1):
                if page not in kept:
                    file.seek((page - 1) * size)
                    file.write(b"\xa5" * size)
        connection.execute(
            "insert into inbox (time_ms, action, target, by) values (1, 'acknowledge', 'nothing', 'lead')"
        )


@pytest.mark.timeout(180)
def test_a_store_damaged_while_it_is_in_use_is_set_aside_and_nothing_that_comes_then_is_lost(
    watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int
) -> None:
    watch = watched()
    watch.start()
    first = watch.ready()
    for n in range(50):
        publisher.publish(now_ms - 1000 + n, 5.0 + n / 100)
    eventually(lambda: len(watch.readings()) == 50)
    spoil_all_but(watch.data / STORE, ("inbox", "sqlite_schema"))
    values = [6.0 + n / 100 for n in range(50)]
    for n, value in enumerate(values):
        publisher.publish(now_ms + n, value)
    eventually(lambda: watch.daemon not in (None, first), 60, what="the watch begins anew")
    watch.ready(60)
    aside = told(watch, mailbox)
    eventually(lambda: set(values) <= {r.raw for r in watch.readings()}, 30, what="all that came is stored")
    assert (watch.data / aside).stat().st_size > 10_000
    assert "cannot store" not in " ".join(str(m.parsed["Subject"]) for m in mailbox.mails)
    assert watch.stop() == 0
