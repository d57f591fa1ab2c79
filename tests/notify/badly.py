"""A server that accepts a connection and then drips, or says nothing."""

from __future__ import annotations

import itertools
import socket
import threading
from collections.abc import Iterator
from contextlib import suppress
from types import TracebackType


class Dripping:
    """Sends one byte of `bytes_` every `pause_s`, for ever; never when there are none."""

    def __init__(self, bytes_: bytes = b"", pause_s: float = 0.05) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._bytes, self._pause_s = bytes_, pause_s
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="dripping server")

    def __enter__(self) -> Dripping:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join(10)
        self._listener.close()

    def _serve(self) -> None:
        self._listener.settimeout(0.05)
        talking: list[tuple[socket.socket, Iterator[int]]] = []
        while not self._ended.wait(self._pause_s):
            with suppress(TimeoutError):
                talking.append((self._listener.accept()[0], itertools.cycle(self._bytes)))
            for client, drops in talking:
                # Nothing to send, or the client hung up, as it should.
                with suppress(StopIteration, OSError):
                    client.send(bytes([next(drops)]))
        for client, _ in talking:
            client.close()
