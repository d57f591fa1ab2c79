"""A serial port for a test: a pseudo-terminal that can be pulled out and plugged in again."""

from __future__ import annotations

import os
import select
import tty
from pathlib import Path

from tests.waiting import eventually


def link_to_another(link: Path, number: str = "") -> tuple[int, str]:
    """A new pseudo-terminal behind a link, as an adapter is behind its link in /dev/serial/by-id.

    It has another number than the one given, as an adapter that is plugged in again may. Its master's file
    and its own number.
    """
    master, slave = os.openpty()
    tty.setraw(slave)  # no echo of what is written before a program has it open
    name = os.ttyname(slave)
    os.close(slave)
    if name != number:
        link.symlink_to(name)
        return master, name
    try:
        return link_to_another(link, number)
    finally:
        os.close(master)


class PseudoTerminal:
    """`device` is the path a program opens; here we are the instrument at the other end."""

    def __init__(self, folder: Path) -> None:
        self.device = folder / "meter"  # a link, as in /dev/serial/by-id
        self._master, self._number = link_to_another(self.device)

    def plug(self) -> None:
        """Plug in: a new pseudo-terminal under another number, behind the same link."""
        self._master, self._number = link_to_another(self.device, self._number)

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
