"""A person at a real terminal: `goodwater init` on a pseudo-terminal, typed at and read from."""

from __future__ import annotations

import contextlib
import os
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path


class Keyboard:
    """One start of `goodwater init`, in a folder."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self._master, slave = os.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "init", *arguments],
            cwd=folder,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=lambda: _take_terminal(slave),
            env={**os.environ, "TERM": "dumb", "PYTHONPATH": str(Path(__file__).parents[2])},
        )
        os.close(slave)
        self._heard = ""
        self._at = 0

    def expect(self, words: str, seconds: float = 30.0) -> str:
        """Everything up to these words, as soon as they stand on the screen."""
        until = time.monotonic() + seconds
        while (found := self._heard.find(words, self._at)) < 0:
            ready, _, _ = select.select([self._master], [], [], max(until - time.monotonic(), 0.0))
            assert ready, f'"{words}" did not come; on the screen:\n{self._heard[self._at :]}'
            try:
                self._heard += os.read(self._master, 65536).decode(errors="replace").replace("\r\n", "\n")
            except OSError:
                raise AssertionError(f'ended before "{words}":\n{self._heard[self._at :]}') from None
        seen, self._at = self._heard[self._at : found], found + len(words)
        return seen

    def type(self, text: str | bytes) -> None:
        os.write(self._master, text if isinstance(text, bytes) else f"{text}\n".encode())

    def answer(self, question: str, text: str | bytes) -> None:
        """Wait for a question and its prompt, then type."""
        self.expect(question)
        self.expect("> ")
        self.type(text)

    def ctrl_c(self) -> None:
        """Press it, and again when the program has not ended a second later, as anybody would.

        One that arrives between readline's prompt and its wait is only noticed with the next key.
        """
        for _ in range(20):
            os.write(self._master, b"\x03")
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(1.0)
                return

    def ended(self, seconds: float = 30.0) -> tuple[int, str]:
        """Exit code, and what was said since."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            ready, _, _ = select.select([self._master], [], [], 0.2)
            try:
                chunk = os.read(self._master, 65536) if ready else b""
            except OSError:
                chunk = b""
            self._heard += chunk.decode(errors="replace").replace("\r\n", "\n")
            if not chunk and self.process.poll() is not None:
                break
        return self.process.wait(5), re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", self._heard[self._at :])

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait(10)
        os.close(self._master)


def _take_terminal(slave: int) -> None:
    """Make it the controlling terminal, so that Ctrl-C is a signal as at a real one."""
    import fcntl
    import termios

    fcntl.ioctl(slave, termios.TIOCSCTTY, 0)
