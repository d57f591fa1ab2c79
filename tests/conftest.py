"""What all tests share: a real broker, a serial port, and a check that no thread is left behind."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from tests.mosquitto import Mosquitto
from tests.pseudo_terminal import PseudoTerminal
from tests.waiting import eventually

# A property is asked whether it holds, not how fast on a busy machine, and of the same examples in each
# build: what fails must be what changed. `--long fuzz` draws new ones.
settings.register_profile("goodwater", deadline=None, derandomize=True)
settings.load_profile("goodwater")


@pytest.fixture(autouse=True)
def _no_thread_is_left() -> Iterator[None]:
    """Fails a test that leaves a thread running."""
    before = set(threading.enumerate())
    yield
    left = set(threading.enumerate()) - before
    try:
        eventually(lambda: not any(thread.is_alive() for thread in left), timeout=2)
    except AssertionError:
        names = ", ".join(sorted(thread.name for thread in left if thread.is_alive()))
        pytest.fail(f"this test left threads running: {names}")


@pytest.fixture
def make_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Mosquitto]]:
    """Makes brokers that are not started yet; options are those of `Mosquitto`."""
    made: list[Mosquitto] = []

    def make(**options: Any) -> Mosquitto:
        made.append(Mosquitto(tmp_path_factory.mktemp("broker"), **options))
        return made[-1]

    yield make
    for broker in made:
        broker.kill()


@pytest.fixture
def broker(make_broker: Callable[..., Mosquitto]) -> Mosquitto:
    """A real broker, open to all, on a free port of the loopback."""
    made = make_broker()
    made.start()
    return made


@pytest.fixture
def pty_pair(tmp_path: Path) -> Iterator[PseudoTerminal]:
    """A serial port, plugged in."""
    terminal = PseudoTerminal(tmp_path)
    yield terminal
    terminal.unplug()
