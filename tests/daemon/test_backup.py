"""A backup of a watch at work, and the watch that goes on from it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.readings import StoreReplaced
from monitor.store import reader
from monitor.store.files import open_reader
from tests.daemon.watched import Publisher, Watched
from tests.waiting import eventually

pytestmark = pytest.mark.serial


@pytest.mark.timeout(180)
def test_a_watch_is_backed_up_while_it_stores_and_goes_on_from_the_backup(
    watched: Callable[..., Watched],
    publisher: Publisher,
    now_ms: int,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    watch = watched()
    watch.start()
    watch.ready()
    file = tmp_path / "copy.db"
    for n in range(20):
        publisher.publish(now_ms + n, 5.0 + n / 100)
    eventually(lambda: len(watch.readings()) == 20)
    assert main(["backup", str(watch.path), str(file)]) == 0
    assert main(["restore", str(watch.path), str(file)]) == 2
    assert "stop it first" in capsys.readouterr().err
    publisher.publish(now_ms + 100, 31.5)
    eventually(watch.transitions)
    watch.stop()
    assert main(["restore", str(watch.path), str(file)]) == 0
    assert {r.raw for r in watch.readings()} == {5.0 + n / 100 for n in range(20)}
    watch.start()
    watch.ready()
    publisher.publish(now_ms + 200, 32.5)
    # The alarm of before the restore is not in the backup: this one must not bear its name.
    (again,) = eventually(watch.transitions)
    assert again.condition == "di-high" and again.occurrence > 3000
    watch.stop()
    with contextlib.closing(open_reader(watch.data)) as connection:
        replaced = [e for e in reader.stream(connection) if isinstance(e, StoreReplaced)]
    assert [(e.what, e.detail) for e in replaced] == [("restored", "copy.db")]
