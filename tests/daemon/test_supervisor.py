"""The supervisor against daemons that behave badly: real processes in the daemon's place."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor import supervisor
from monitor.supervisor import BEAT_FD, Beat, Supervisor

pytestmark = pytest.mark.serial

STUBBORN = """
import contextlib, os, signal, time
signal.signal(signal.SIGTERM, signal.SIG_IGN)
fd = int(os.environ["GOODWATER_BEAT_FD"])
os.write(fd, b"R")
while True:
    with contextlib.suppress(OSError):
        os.write(fd, b".")
    time.sleep(0.05)
"""

SLOW_TO_START = """
import os, time
fd = int(os.environ["GOODWATER_BEAT_FD"])
os.write(fd, b".")
time.sleep(0.1)
os.write(fd, b"R.")
raise SystemExit(2)
"""


@pytest.fixture(autouse=True)
def handlers() -> Iterator[None]:
    """The supervisor sets signal handlers in this process: put them back."""
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture
def in_its_place(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], list[subprocess.Popen[bytes]]]:
    """Starts a script wherever the supervisor would start a daemon; gives the processes made."""
    made: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen

    def put(script: str) -> list[subprocess.Popen[bytes]]:
        def start(_: list[str], **options: Any) -> subprocess.Popen[bytes]:
            made.append(popen([sys.executable, "-c", script], **options))
            return made[-1]

        monkeypatch.setattr(supervisor.subprocess, "Popen", start)
        return made

    return put


def test_a_daemon_that_beats_but_will_not_end_is_killed(
    in_its_place: Callable[[str], list[subprocess.Popen[bytes]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervisor, "_STOP_S", 0.5)
    made = in_its_place(STUBBORN)
    threading.Timer(1.0, os.kill, (os.getpid(), signal.SIGTERM)).start()
    last_resort = threading.Timer(10.0, lambda: made[0].kill())
    last_resort.start()
    assert Supervisor([]).run() == 0
    assert last_resort.is_alive(), "the supervisor waited for ever"
    last_resort.cancel()
    assert made[0].returncode == -signal.SIGKILL


def test_a_machine_that_can_start_no_process_just_now_is_tried_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(supervisor, "_DELAY_FIRST_S", 0.01)
    tries: list[None] = []
    popen = subprocess.Popen

    def start(_: list[str], **options: Any) -> subprocess.Popen[bytes]:
        tries.append(None)
        if len(tries) < 3:
            raise BlockingIOError(11, "Resource temporarily unavailable")
        return popen([sys.executable, "-c", "raise SystemExit(2)"], **options)

    monkeypatch.setattr(supervisor.subprocess, "Popen", start)
    before = len(list(Path("/proc/self/fd").iterdir()))
    assert Supervisor([]).run() == 2
    assert len(tries) == 3
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_daemon_that_is_slow_to_start_keeps_systemd_waiting_by_its_beats(
    in_its_place: Callable[[str], list[subprocess.Popen[bytes]]],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    in_its_place(SLOW_TO_START)
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        assert Supervisor([]).run() == 2
        systemd.setblocking(False)
        told = []
        with contextlib.suppress(BlockingIOError):
            while True:
                told.append(systemd.recv(4096).decode())
    ready = next(n for n, state in enumerate(told) if "READY=1" in state)
    assert any("EXTEND_TIMEOUT_USEC=" in state for state in told[:ready])
    assert not any("EXTEND_TIMEOUT_USEC=" in state for state in told[ready:])


def test_a_process_the_daemon_starts_does_not_hold_its_beat(monkeypatch: pytest.MonkeyPatch) -> None:
    """Or the daemon's end would be noticed only when that process ends too."""
    read_end, write_end = os.pipe()
    os.set_inheritable(write_end, True)  # as it is in a daemon the supervisor started
    monkeypatch.setenv(BEAT_FD, str(write_end))
    Beat()
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, close_fds=False)
    os.close(write_end)
    try:
        closed, _, _ = select.select([read_end], [], [], 5)
        assert closed and os.read(read_end, 1) == b""
    finally:
        os.close(read_end)
        child.communicate(b"\n")
