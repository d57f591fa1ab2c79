"""The show's other processes: broker, watch and page. Whatever happens to the show, they end with it."""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

_STOP_S = 30.0


class ShowStopped(Exception):
    """The show cannot go on; the text says why and what to do."""


class Child:
    """One process of the show, in a session of its own so that Ctrl-C reaches only the show itself."""

    def __init__(self, name: str, command: list[str], folder: Path) -> None:
        self.name, self._log = name, folder / f"{name}.log"
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                command, cwd=folder, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
            )

    def check(self) -> None:
        """Raises ShowStopped when it has ended by itself, with the last lines of its log."""
        if self.process.poll() is not None:
            said = self._log.read_text(encoding="utf-8", errors="replace").strip().splitlines()[-8:]
            raise ShowStopped(
                f"the {self.name} ended with code {self.process.returncode}:\n" + "\n".join(said)
            )

    def stop(self) -> None:
        """End it in good order; what it started and left is killed with its session."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(_STOP_S)
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


class Broker:
    """The broker that deploy/mosquitto.sh found, on a port of the loopback; it can be restarted."""

    def __init__(self, folder: Path) -> None:
        self._folder, self.port = folder, free_port()
        self.is_mosquitto = "GOODWATER_MOSQUITTO" in os.environ
        if self.is_mosquitto:
            self._command = [os.environ["GOODWATER_MOSQUITTO"], "-c", str(self._configured())]
        elif "GOODWATER_EMBEDDED_BROKER" in os.environ:
            words = shlex.split(os.environ["GOODWATER_EMBEDDED_BROKER"])
            self._command = [str(Path(word).absolute()) if Path(word).exists() else word for word in words]
            self._command.append(str(self.port))
        else:
            raise ShowStopped("no broker was named: start the show by `sh deploy/demo.sh`")
        self._child: Child | None = None

    def _configured(self) -> Path:
        (self._folder / "broker").mkdir(exist_ok=True)
        lines = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous true",
            "persistence true",
            f"persistence_location {self._folder / 'broker'}/",
            "autosave_interval 30",
            "max_queued_messages 0",
            "max_inflight_messages 2000",
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # else it gives up root and cannot read this folder
        path = self._folder / "broker" / "mosquitto.conf"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    def start(self) -> None:
        self._child = Child("broker", self._command, self._folder)
        until(self._listens, "the broker listens", self._child.check)

    def _listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        if self._child is not None:
            self._child.stop()


def goodwater(folder: Path, name: str, *words: str) -> Child:
    """A command of Goodwater that goes on until it is stopped."""
    return Child(name, [sys.executable, "-m", "monitor.cli", *words], folder)


def answer_of(folder: Path, *words: str) -> str:
    """What a command of Goodwater prints."""
    command = [sys.executable, "-m", "monitor.cli", *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120).stdout


def free_port(wanted: int = 0) -> int:
    """The port wanted when it is free, else any."""
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", wanted))
        except OSError:
            return free_port()
        return int(probe.getsockname()[1])


def until(
    is_so: Callable[[], bool], what: str, check: Callable[[], None] = lambda: None, seconds: float = 60.0
) -> None:
    """Wait for something. Raises ShowStopped when it does not come."""
    end = time.monotonic() + seconds
    while not is_so():
        check()
        if time.monotonic() > end:
            raise ShowStopped(f"not so within {seconds:g} s: {what}")
        time.sleep(0.1)
