"""A store that cannot be opened when the watch starts: one line, somebody told, and it goes on by itself."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from simulator.mailbox import Mailbox
from tests.daemon.watched import Publisher, Watched
from tests.waiting import eventually, stays

pytestmark = pytest.mark.serial

Make = Callable[..., Watched]


def not_a_folder(watch: Watched) -> Path:
    watch.data.write_text("in the way")
    return watch.data


def test_a_store_that_cannot_be_opened_is_told_and_tried_again_until_it_can(
    watched: Make, publisher: Publisher, mailbox: Mailbox, now_ms: int
) -> None:
    watch = watched()
    in_the_way = not_a_folder(watch)
    watch.start()
    (mail,) = mailbox.wait_for(1, 30)
    assert "cannot store" in mail.parsed["Subject"]
    stays(lambda: "started again" not in watch.log, 1.0)
    assert "Traceback" not in watch.log
    assert watch.log.count("the store in %s cannot be opened") == 1
    in_the_way.unlink()
    watch.ready(60)
    publisher.publish(now_ms, 5.0)
    eventually(watch.readings)
    assert watch.stop() == 0


def test_a_watch_that_waits_for_its_store_can_be_stopped(watched: Make) -> None:
    watch = watched()
    not_a_folder(watch)
    watch.start()
    eventually(lambda: "cannot be opened" in watch.log, 20)
    assert watch.stop() == 0


def test_a_data_folder_of_another_user_is_refused_in_words(watched: Make) -> None:
    watch = watched()
    watch.data.mkdir()
    lock = watch.data / "goodwater.lock"
    lock.touch()
    command = [sys.executable, "-m", "monitor.cli", "run", str(watch.path)]
    lock.chmod(0o400)
    if os.geteuid() == 0:  # root may write to everything, until that is taken from it
        os.chown(lock, 65534, 65534)
        command = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", *command]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2, done.stderr
    assert str(lock) in done.stderr and "Traceback" not in done.stderr
