"""A serial port for a test: a pseudo-terminal that can be pulled out and plugged in again."""

from __future__ import annotations

import os
import select
from pathlib import Path

from tests.waiting import eventually


class PseudoTerminal:
    """`device` is the path a program opens; here we are the instrument at the other end."""

    def __init__(self, folder: Path) -> None:
        self.device = folder / "meter"  # a link, as in /dev/serial/by-id
        self._master = -1
        self.plug()

    def plug(self) -> None:
        """Plug in: a new pseudo-terminal under the same path."""
        self._master, slave = os.openpty()
        self.device.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        """Pull out: whoever has it open gets errors, and the path is gone."""
        if self._master >= 0:
            self.device.unlink()
            os.close(self._master)
            self._master = -1

    def is_open(self) -> bool:
        """A program has the port open."""
        poll = select.poll()
        poll.register(self._master, select.POLLHUP)
        return not poll.poll(0)

    def heard(self, seconds: float) -> bytes:
        """What the program sent; nothing when it sends nothing so long, or has no port open."""
        if self._master < 0 or not self.is_open():
            return b""
        ready, _, _ = select.select([self._master], [], [], seconds)
        try:
            return os.read(self._master, 4096) if ready else b""
        except OSError:  # it has just closed the port
            return b""

    def write(self, data: bytes) -> None:
        os.write(self._master, data)

    def read(self, seconds: float = 5.0) -> bytes:
        """What the program sent, once it has the port open; fails when nothing comes."""
        eventually(self.is_open)
        ready, _, _ = select.select([self._master], [], [], seconds)
        assert ready, f"nothing was sent within {seconds:g} s"
        return os.read(self._master, 4096)
