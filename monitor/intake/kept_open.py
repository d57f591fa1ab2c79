"""A port or connection that a thread of its own holds open: opened, used, and opened anew when it is lost."""

from __future__ import annotations

import logging
import os
import select
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Generic, Protocol, TypeVar

from monitor.intake.link import Link

log = logging.getLogger(__name__)

T = TypeVar("T")


class Ready(Protocol):
    """Whether an open file has something to read (or takes something), waiting so long for it."""

    def __call__(self, file: int, wait_s: float, *, to_write: bool = False) -> bool: ...


def ready(file: int, wait_s: float, *, to_write: bool = False) -> bool:
    """`Ready` for a program without a driver: nothing ends the wait before its time."""
    return bool(_polling(file, to_write).poll(max(0.0, wait_s) * 1000))


def _polling(file: int, to_write: bool) -> select.poll:
    poll = select.poll()
    poll.register(file, select.POLLOUT if to_write else select.POLLIN)
    return poll


class Stopped(Exception):
    """The driver is told to stop; ends its thread, wherever it waits."""


class KeptOpen(Generic[T]):
    """The one thread that owns a port or connection, and the one supervisor in it.

    `opened` opens it and `use` works with it, both in the thread. An error among `errors` is a lost wire;
    any other is a fault of our own and goes to the log as well; neither ends intake. When `use` returns by
    itself the wire is opened anew at once, and nothing is told: it was given up, not lost.
    """

    def __init__(
        self,
        link: Link,
        opened: Callable[[], AbstractContextManager[T]],
        use: Callable[[T], None],
        errors: tuple[type[Exception], ...],
        *,
        thread: str,
    ) -> None:
        self._link = link
        self._opened = opened
        self._use = use
        self._errors = errors
        self._stopping = threading.Event()
        self._wake: tuple[int, int] | None = None  # a pipe: a stop is noticed in the middle of a wait
        self._thread = threading.Thread(target=self._run, name=thread, daemon=True)

    def start(self) -> None:
        """Begin to open, and to try again for ever; returns at once."""
        self._wake = os.pipe()
        self._thread.start()

    def stop(self) -> None:
        """Close and join the thread."""
        self._stopping.set()
        if self._wake is None:
            return
        os.write(self._wake[1], b"!")
        self._thread.join()
        for end in self._wake:
            os.close(end)
        self._wake = None

    def ready(self, file: int, wait_s: float, *, to_write: bool = False) -> bool:
        """`Ready` in the thread. An end that was hung up is ready: reading it tells. Raises: Stopped."""
        assert self._wake is not None
        poll = _polling(file, to_write)
        poll.register(self._wake[0], select.POLLIN)
        found = poll.poll(max(0.0, wait_s) * 1000)
        if self._stopping.is_set():
            raise Stopped
        return bool(found)

    def pause(self, wait_s: float) -> None:
        """Wait without a wire. Raises: Stopped."""
        if self._stopping.wait(max(0.0, wait_s)):
            raise Stopped

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with self._opened() as wire:
                    self._use(wire)
                continue
            except Stopped:
                return
            except self._errors as error:
                self._link.is_down(str(error) or type(error).__name__)
            except Exception as error:  # the supervisor of this thread: no fault ends intake
                log.exception("%s: unexpected fault, opening anew", self._link.name)
                self._link.is_down(f"{type(error).__name__}: {error}")
            self._link.wait(self._stopping)
