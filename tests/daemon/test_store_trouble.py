"""A store that cannot be written: nothing is acknowledged, somebody is told directly, and it mends itself."""

from __future__ import annotations

import contextlib
import os
import resource
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.plant.message_ids import message_id
from monitor.store import reader
from monitor.store.files import open_reader
from monitor.store.writer import Writer
from simulator.mailbox import Mailbox
from tests.daemon.watched import Publisher, Watched
from tests.waiting import eventually, stays

pytestmark = pytest.mark.serial

Make = Callable[..., Watched]


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """A disk of 6 MB at a folder, for root."""
    folder.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Fill the disk to the last byte."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"\0" * 4096)
    return ballast


def stored_values(watch: Watched) -> set[float]:
    return {r.raw for r in watch.readings()}


def publish_until_refused(watch: Watched, publisher: Publisher, now_ms: int) -> list[float]:
    """Publish until the daemon's log says that the store refuses; the values published."""
    values: list[float] = []

    def refused() -> bool:
        value = 5.0 + len(values) / 10_000
        publisher.publish(now_ms + len(values), value)
        values.append(value)
        return "cannot be written" in watch.log

    eventually(refused, 60, what="the store refuses")
    return values


@pytest.mark.timeout(240)
def test_a_disk_that_cannot_be_written_stops_acknowledging_and_mends_itself(
    watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int, tmp_path: Path
) -> None:
    with contextlib.ExitStack() as stack:
        if os.geteuid() == 0:
            stack.enter_context(small_disk(tmp_path / "data"))
        watch = watched()
        watch.start()
        pid = watch.ready()
        publisher.publish(now_ms - 10, 4.0)
        eventually(lambda: 4.0 in stored_values(watch))
        # Root fills a real disk; a plain user may mount none, and forbids the daemon to let files grow.
        if os.geteuid() == 0:
            ballast = fill(tmp_path / "data")
        else:
            _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (4096, hard))
        values = publish_until_refused(watch, publisher, now_ms)
        (mail,) = mailbox.wait_for(1, 30)
        assert "cannot store" in mail.parsed["Subject"]
        assert "cannot be written" in " ".join(mail.part("plain").split())
        stays(lambda: watch.daemon == pid, 1.0)
        if os.geteuid() == 0:
            ballast.unlink()
        else:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard))
        eventually(lambda: set(values) <= stored_values(watch), 90, what="everything is stored after all")
        assert "can be written again" in watch.log
        assert watch.daemon == pid
        assert len(mailbox.mails) == 1
        assert watch.stop() == 0


def test_a_daemon_whose_store_refuses_can_still_be_stopped(
    watched: Make, publisher: Publisher, now_ms: int
) -> None:
    watch = watched()
    watch.start()
    pid = watch.ready()
    _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (4096, hard))
    publish_until_refused(watch, publisher, now_ms)
    assert watch.stop() == 0
    assert "did not end within" not in watch.log


def test_state_that_cannot_be_read_is_rebuilt_from_the_stream(
    watched: Make, publisher: Publisher, now_ms: int
) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    publisher.publish(now_ms, 31.5)
    eventually(watch.transitions)
    watch.stop()
    writer = Writer(watch.data, now_ms, lambda n: message_id(n, "shop"))
    writer.connection.execute("update state set version = 99 where part not like 'alarm:%'")
    writer.close()
    watch.start()
    watch.ready()
    eventually(lambda: "re-judging the last days" in watch.log)
    publisher.publish(now_ms + 1, 31.6)
    publisher.publish(now_ms + 2, 5.0)
    eventually(lambda: watch.transitions()[-1].cause == "returned")
    assert [t.key for t in watch.transitions()] == ["di-high#1.1", "di-high#1.2"]
    watch.stop()
    with contextlib.closing(open_reader(watch.data)) as connection:
        assert len(list(reader.stream(connection))) >= 3
