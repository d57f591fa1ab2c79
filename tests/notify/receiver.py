"""A real HTTP receiver for tests of the webhook."""

from __future__ import annotations

import ssl
import threading
from dataclasses import dataclass, field
from email.message import Message
from types import TracebackType

from tests.http_server import QuietHandler, serving


@dataclass
class Received:
    path: str
    headers: Message
    body: bytes


@dataclass
class Receiver:
    """Answers each POST with the next of `answers` (status, headers), the last for ever; -1 says nothing."""

    answers: list[tuple[int, dict[str, str]]] = field(default_factory=lambda: [(200, {})])
    tls: ssl.SSLContext | None = None
    received: list[Received] = field(default_factory=list)

    def __enter__(self) -> Receiver:
        self.ended = threading.Event()
        self._serving = serving(self._handler(), self.tls)
        self.port = self._serving.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.ended.set()
        self._serving.__exit__(kind, error, trace)

    def _handler(self) -> type[QuietHandler]:
        receiver = self

        class Handler(QuietHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                receiver.received.append(Received(self.path, self.headers, body))
                status, headers = receiver.answers[0]
                if len(receiver.answers) > 1:
                    receiver.answers.pop(0)
                if status == -1:
                    receiver.ended.wait(30)
                    return
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.end_headers()

        return Handler
