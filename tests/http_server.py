"""A real HTTP server for tests, with or without TLS: what it answers is the test's own matter."""

from __future__ import annotations

import contextlib
import http.server
import ssl
import threading
from collections.abc import Iterator


class QuietHandler(http.server.BaseHTTPRequestHandler):
    """Says nothing of requests, nor of a client that goes, as it may."""

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""

    def handle(self) -> None:
        try:
            super().handle()
        except (ConnectionError, ssl.SSLError):
            self.close_connection = True


@contextlib.contextmanager
def serving(handler: type[QuietHandler], tls: ssl.SSLContext | None = None) -> Iterator[int]:
    """Serve on a free port of 127.0.0.1, which is given, until the block ends and all answers are out."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = False
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, name="http server")
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join(10)
