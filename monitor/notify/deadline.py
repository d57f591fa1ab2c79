"""An end to an exchange with a server that answers, but never finishes.

A socket's timeout starts anew with every byte, so a server that drips would hold the delivery thread for
ever. When the time is up the socket is shut down, and the blocked call ends with an error.
"""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from types import TracebackType
from typing import Protocol


class HasSocket(Protocol):
    """A connection that may have a socket just now."""

    @property
    def sock(self) -> socket.socket | None: ...


class Deadline:
    """A span of machine seconds for all that happens inside the `with`."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.expired = False
        self._watched: HasSocket | None = None
        self._timer = threading.Timer(seconds, self._end)
        self._timer.name = "delivery deadline"
        self._timer.daemon = True

    def watch(self, connection: HasSocket) -> None:
        """The connection to end."""
        self._watched = connection

    def __enter__(self) -> Deadline:
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        self._timer.join()

    def _end(self) -> None:
        self.expired = True
        # A connection that never came so far has no socket; its own timeouts end it.
        sock = getattr(self._watched, "sock", None)
        if sock is not None:
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
