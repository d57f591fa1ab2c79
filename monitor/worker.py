"""A thread of its own that goes round until it is stopped."""

from __future__ import annotations

import threading
from collections.abc import Callable


class Worker:
    """Runs `run` in a daemon thread. `run` looks at `stopping`, waits on it, and ends soon once it is set."""

    def __init__(self, name: str, run: Callable[[], None]) -> None:
        self.stopping = threading.Event()
        self._thread = threading.Thread(target=run, name=name, daemon=True)

    def start(self) -> None:
        """Begin; once only."""
        self._thread.start()

    def stop(self, timeout_s: float | None = None) -> bool:
        """Begin nothing new and wait for what is under way, for ever without a timeout; False when that takes
        longer. True also of one that never began.
        """
        self.stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()
