"""`goodwater run`: keeps the daemon running, and tells systemd the truth about it.

The daemon is a child process that beats on a pipe. No beat for a minute, or an end that nobody asked for:
it is started again after a random growing delay. If this process dies the pipe closes, and the daemon ends.
"""

from __future__ import annotations

import contextlib
import logging
import os
import random
import select
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

log = logging.getLogger(__name__)

BEAT_FD = "GOODWATER_BEAT_FD"
READY, ALIVE = b"R", b"."
# The daemon ends with this when starting again would change nothing (the site file is wrong).
END_NO_RESTART = 2
END_NOT_STARTED = 1

_LOOK_S = 0.5
_SILENT_S = 60.0
_START_MORE_US = 120_000_000
_STOP_S = 25.0
_DELAY_FIRST_S, _DELAY_MOST_S = 1.0, 60.0
# A daemon that ran this long was well: the next delay is short again.
_WELL_S = 300.0


def tell_systemd(state: str) -> None:
    """Send a state to systemd (sd_notify(3)); nothing happens where no systemd asked for it."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.sendto(state.encode(), address)


class Supervisor:
    """Starts, watches and ends the daemon of one site."""

    def __init__(self, arguments: list[str]) -> None:
        self._arguments = arguments
        self._stopping = False
        self._stop_by: float | None = None
        self._child: subprocess.Popen[bytes] | None = None

    def run(self) -> int:
        """Until asked to stop (0), or the daemon says that starting it again is of no use."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._stop)
        delay_s = _DELAY_FIRST_S
        while True:
            started = time.monotonic()
            code = self._one_life()
            if self._stopping or code == END_NO_RESTART:
                return 0 if self._stopping else code
            if time.monotonic() - started > _WELL_S:
                delay_s = _DELAY_FIRST_S
            wait_s = delay_s * random.uniform(0.5, 1.5)
            log.error("the daemon ended by itself with code %s; started again in %.1f s", code, wait_s)
            tell_systemd(f"STATUS=daemon ended with code {code}, starting again")
            self._sleep(wait_s)
            delay_s = min(_DELAY_MOST_S, delay_s * 2)

    def _stop(self, number: int, _frame: object) -> None:
        self._stopping = True
        self._stop_by = self._stop_by or time.monotonic() + _STOP_S
        if self._child is not None:
            self._child.terminate()

    def _sleep(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end and not self._stopping:
            tell_systemd("WATCHDOG=1")
            time.sleep(0.1)

    def _one_life(self) -> int:
        read_end, write_end = os.pipe()
        environment = {**os.environ, BEAT_FD: str(write_end)}
        environment.pop("NOTIFY_SOCKET", None)
        try:
            self._child = subprocess.Popen(
                [sys.executable, "-m", "monitor.daemon", *self._arguments],
                pass_fds=(write_end,),
                env=environment,
                stdin=subprocess.DEVNULL,
            )
        except OSError as error:  # out of memory or processes: that may pass
            log.error("the daemon could not be started: %s", error)
            os.close(read_end)
            return END_NOT_STARTED
        finally:
            os.close(write_end)
        if self._stopping:  # asked to stop while the child was being made
            self._child.terminate()
        try:
            self._follow(read_end)
        finally:
            os.close(read_end)
        return self._end()

    def _follow(self, beats: int) -> None:
        """Pass beats on to systemd until the daemon closes the pipe, falls silent, or should have ended."""
        assert self._child is not None
        ready = False
        silent_from = time.monotonic()
        while True:
            heard, _, _ = select.select([beats], [], [], _LOOK_S)
            now = time.monotonic()
            if self._stop_by is not None and now > self._stop_by:
                return  # it still beats, but one of its parts does not end
            if not heard and now - silent_from > _SILENT_S:
                log.error("no beat from the daemon for %.0f s: it is ended", _SILENT_S)
                self._child.kill()
                return
            if not heard:
                continue
            silent_from = now
            beat = os.read(beats, 4096)
            if not beat:
                return
            if READY in beat:
                ready = True
                tell_systemd("READY=1\nSTATUS=watching")
            # A large store may take minutes to open after an upgrade.
            tell_systemd("WATCHDOG=1" if ready else f"WATCHDOG=1\nEXTEND_TIMEOUT_USEC={_START_MORE_US}")

    def _end(self) -> int:
        assert self._child is not None
        if self._stopping:
            tell_systemd("STOPPING=1")
        wait_s = _STOP_S if self._stop_by is None else max(0.1, self._stop_by - time.monotonic())
        try:
            return self._child.wait(wait_s)
        except subprocess.TimeoutExpired:
            log.error("the daemon did not end within %.0f s: it is killed", _STOP_S)
            self._child.kill()
            return self._child.wait()


class Beat:
    """The daemon's end of the pipe. Without a supervisor nothing is beaten."""

    def __init__(self) -> None:
        self._fd = int(os.environ[BEAT_FD]) if BEAT_FD in os.environ else None
        self._last_s = 0.0
        if self._fd is not None:
            os.set_blocking(self._fd, False)
            os.set_inheritable(self._fd, False)  # or a process we start would hold it open after our end

    def ready(self) -> None:
        self._send(READY)

    def alive(self) -> bool:
        """Beat, at most once a second; False when the supervisor is gone."""
        now = time.monotonic()
        if now - self._last_s < 1.0:
            return True
        self._last_s = now
        return self._send(ALIVE)

    def _send(self, beat: bytes) -> bool:
        if self._fd is None:
            return True
        try:
            os.write(self._fd, beat)
        except BlockingIOError:
            return True  # the supervisor is slow, not gone
        except OSError:
            return False
        return True


def run(site: Path, clock: str | None) -> int:
    """Run the watch over a site until stopped."""
    return Supervisor([str(site), *(["--clock", clock] if clock else [])]).run()
