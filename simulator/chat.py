"""A chat room on this machine, for a show and for tests: takes Goodwater's signed webhook, checks, keeps.

    python -m simulator.chat --port 8080 --dir chat --secret-file webhook-secret

writes each message into the folder as JSON and prints its first line. The signature is checked as
docs/reference/webhook.md says; a message that comes twice is kept once.
"""

from __future__ import annotations

import argparse
import hashlib
import hmac
import http.server
import json
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

_OLDEST_S = 300.0
_LONGEST = 1_000_000


def is_genuine(stamp: str, signature: str, body: bytes, key: bytes) -> bool:
    """The signature is that of this stamp and body under this key."""
    expected = hmac.new(key, stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return hmac.compare_digest(f"sha256={expected}", signature)


class Chat:
    """A real HTTP receiver in a thread; `with Chat(key) as room:`. Port 0 takes a free one.

    `seconds_ago` says how long ago, by the machine's clock, a stamp (s since 1970) was; where the sender's
    clock is played, so is the stamp.
    """

    def __init__(
        self,
        key: bytes,
        *,
        port: int = 0,
        folder: Path | None = None,
        tell: Callable[[dict[str, Any]], None] = lambda message: None,
        seconds_ago: Callable[[float], float] = lambda stamp: time.time() - stamp,
    ) -> None:
        self._key, self._folder, self._tell, self._ago = key, folder, tell, seconds_ago
        self._kept: dict[str, dict[str, Any]] = {}
        self._lock = threading.Lock()
        self.refused = 0
        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", port), self._handler())
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, name="chat", daemon=True
        )

    def __enter__(self) -> Chat:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    @property
    def messages(self) -> list[dict[str, Any]]:
        """What was taken so far, in order."""
        with self._lock:
            return list(self._kept.values())

    def take(self, headers: Any, body: bytes) -> int:
        """Check and keep one message; the HTTP status it is answered with."""
        stamp, signature = headers.get("Goodwater-Timestamp", ""), headers.get("Goodwater-Signature", "")
        genuine = stamp.isdigit() and is_genuine(stamp, signature, body, self._key)
        if not genuine or abs(self._ago(float(stamp))) > _OLDEST_S:
            self.refused += 1
            return 401
        message = json.loads(body)
        with self._lock:
            if headers.get("Idempotency-Key", "") in self._kept:
                return 200
            self._kept[headers.get("Idempotency-Key", "")] = message
            number = len(self._kept)
        if self._folder is not None:
            text = json.dumps(message, indent=2, ensure_ascii=False)
            (self._folder / f"{number:04d}.json").write_text(text, encoding="utf-8")
        self._tell(message)
        return 200

    def _handler(self) -> type[http.server.BaseHTTPRequestHandler]:
        room = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = min(int(self.headers.get("Content-Length", 0)), _LONGEST)
                status = room.take(self.headers, self.rfile.read(length))
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                """Say nothing."""

        return Handler


def main(arguments: list[str] | None = None) -> int:
    """The command; ends on Ctrl-C or a termination signal."""
    parser = argparse.ArgumentParser(prog="python -m simulator.chat", description=__doc__.split("\n")[0])
    parser.add_argument("--port", type=int, default=8080, help="port to listen on (default %(default)s)")
    parser.add_argument("--dir", type=Path, required=True, help="folder for the messages, made when missing")
    parser.add_argument("--secret-file", type=Path, required=True, help="file with the signing key")
    given = parser.parse_args(arguments)
    ended = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ended.set())
    try:
        key = given.secret_file.read_text(encoding="utf-8").strip().encode()
        given.dir.mkdir(parents=True, exist_ok=True)
        room = Chat(key, port=given.port, folder=given.dir, tell=lambda m: print(m["first_line"], flush=True))
    except OSError as error:
        print(f"chat: {error.filename or f'port {given.port}'}: {error.strerror}", file=sys.stderr)
        return 1
    with room:
        print(f"chat listens on 127.0.0.1 port {room.port}, messages go to {given.dir}", flush=True)
        ended.wait()
    return 0


if __name__ == "__main__":
    sys.exit(main())
