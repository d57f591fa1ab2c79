"""Pseudo-terminals that stand for serial ports, each under a name of its own in a folder."""

from __future__ import annotations

import errno
import os
import select
import time
import tty
from pathlib import Path


class Port:
    """One end of a pseudo-terminal; the other end is what the reader opens at `path`.

    As on a real line, what is sent while nobody has the port open is lost.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._near, far = os.openpty()
        tty.setraw(far)
        os.set_blocking(self._near, False)
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(far))
        os.close(far)
        self._rest = b""

    def is_open(self) -> bool:
        """Somebody has the other end open."""
        poll = select.poll()
        poll.register(self._near, select.POLLHUP)
        return not poll.poll(0)

    def read(self, wait_s: float) -> bytes:
        """What has come in, waiting at most `wait_s`; empty when nothing did."""
        if not self.is_open():
            time.sleep(min(wait_s, 0.02))  # a hung-up terminal is always "ready", so it cannot be waited on
            return b""
        ready, _, _ = select.select([self._near], [], [], wait_s)
        try:
            return os.read(self._near, 4096) if ready else b""
        except OSError as error:
            if error.errno in (errno.EIO, errno.EAGAIN):
                return b""
            raise

    def write(self, data: bytes) -> bool:
        """Send bytes; False when they are lost: nobody listens, or the reader is too far behind."""
        if not self.is_open():
            self._rest = b""
            return False
        if self._rest and not self._send(self._rest):
            return False
        return self._send(data)

    def _send(self, data: bytes) -> bool:
        try:
            sent = os.write(self._near, data)
        except BlockingIOError:
            sent = 0
        if 0 < sent < len(data) or (sent == 0 and self._rest):
            self._rest = data[sent:]  # never leave half a line: the rest goes first next time
            return False
        self._rest = b""
        return sent == len(data)

    def close(self) -> None:
        """Take the port away, as pulling the plug does."""
        self.path.unlink(missing_ok=True)
        os.close(self._near)
