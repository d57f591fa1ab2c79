"""A real HTTP receiver for tests of the webhook."""

from __future__ import annotations

import http.server
import ssl
import threading
from dataclasses import dataclass, field
from email.message import Message
from types import TracebackType


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
        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self._server.daemon_threads = False
        if self.tls is not None:
            self._server.socket = self.tls.wrap_socket(
                self._server.socket, server_side=True, do_handshake_on_connect=False
            )
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, name="receiver"
        )
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.ended.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    def _handler(self) -> type[http.server.BaseHTTPRequestHandler]:
        receiver = self

        class Handler(http.server.BaseHTTPRequestHandler):
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

            def log_message(self, format: str, *args: object) -> None:
                """Say nothing."""

            def handle(self) -> None:
                try:
                    super().handle()
                except (ConnectionError, ssl.SSLError):
                    self.close_connection = True  # the client went, as it may

        return Handler
