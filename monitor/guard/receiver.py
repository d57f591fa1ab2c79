"""Heartbeats that come by HTTP: whether one is believed, and the small server that takes them."""

from __future__ import annotations

import hmac
import http.server
import json
import logging
import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from monitor.alive.heartbeat import FORMAT
from monitor.guard.vigil import Word
from monitor.notify.webhook import signature

log = logging.getLogger(__name__)

_MOST_BYTES = 4_096
_PATIENCE_S = 10.0  # for a sender that does not get to the end
_CLOCKS_APART_MS = 600_000
_PREFIX = "/heartbeat/"


class NotBelieved(Exception):
    """A heartbeat is refused; the text says why, to whoever sent it."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


@dataclass(frozen=True, slots=True)
class Arrived:
    """A heartbeat as it came."""

    stamp: str
    signed: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Beat:
    """A heartbeat that is believed."""

    word: Word
    sent_ms: int


def believed(came: Arrived, key: bytes, watch: str, now_ms: int, last_ms: int) -> Beat:
    """What a heartbeat says, when it is the watch's own and no repetition.

    `last_ms` is the stamp of the last one that was believed. Raises: NotBelieved.
    """
    right = signature(key, came.stamp, came.body)
    if not hmac.compare_digest(right.encode(), came.signed.encode("utf-8", "replace")):
        raise NotBelieved(403, "its signature is wrong: compare the key of both ends")
    try:
        said = json.loads(came.body)
        known = said["format"], said["site"]["id"], said["state"], said["time_ms"]
    except (ValueError, LookupError, TypeError):
        raise NotBelieved(400, f"it is no {FORMAT}") from None
    form, site, state, sent_ms = known
    if form != FORMAT or state not in ("running", "stopped") or not isinstance(sent_ms, int):
        raise NotBelieved(400, f"it is no {FORMAT}")
    if site != watch:
        raise NotBelieved(403, f'it speaks for the site "{site}", and came to the address of "{watch}"')
    apart_ms = sent_ms - now_ms
    if abs(apart_ms) > _CLOCKS_APART_MS:
        ahead = "ahead of" if apart_ms > 0 else "behind"
        raise NotBelieved(409, f"its clock is {abs(apart_ms) // 60_000} min {ahead} this guard's")
    # A stamp to come, kept from a time when this guard's own clock ran ahead, refuses nothing.
    if sent_ms <= last_ms <= now_ms + _CLOCKS_APART_MS:
        raise NotBelieved(409, "it is not later than one that came before")
    return Beat(state, sent_ms)


Take = Callable[[str, Arrived], None]


class Receiver:
    """The server, in threads of its own. `take(id, arrived)` raises NotBelieved, or has taken it."""

    def __init__(self, host: str, port: int, tls: ssl.SSLContext | None, take: Take) -> None:
        """Raises: OSError when the port cannot be had."""
        self._server = _Server((host, port), _handler(take), tls)
        self._thread = threading.Thread(target=self._server.serve_forever, name="heartbeats", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Let the port go."""
        if self._thread.is_alive():
            self._server.shutdown()
            self._thread.join()
        self._server.server_close()


class _Server(http.server.ThreadingHTTPServer):
    daemon_threads = True

    def __init__(
        self, address: tuple[str, int], handler: type[http.server.BaseHTTPRequestHandler],
        tls: ssl.SSLContext | None,
    ) -> None:  # fmt: skip
        self.address_family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
        super().__init__(address, handler)
        if tls is not None:
            # The handshake is made by the thread of that one connection: nobody else waits for it.
            self.socket = tls.wrap_socket(self.socket, server_side=True, do_handshake_on_connect=False)

    def handle_error(self, request: Any, client_address: Any) -> None:
        log.debug("a connection of %s ended early", client_address, exc_info=True)


def _handler(take: Take) -> type[http.server.BaseHTTPRequestHandler]:
    class Handler(http.server.BaseHTTPRequestHandler):
        server_version, sys_version = "goodwater-guard", ""
        timeout = _PATIENCE_S

        def do_POST(self) -> None:
            length = self.headers.get("Content-Length", "")
            if not self.path.startswith(_PREFIX) or not length.isascii() or not length.isdigit():
                self._answer(404, f"heartbeats are POSTed to {_PREFIX}<id of the site>")
            elif int(length) > _MOST_BYTES:
                self._answer(413, "a heartbeat is small")
            else:
                came = Arrived(
                    self.headers.get("Goodwater-Timestamp", ""),
                    self.headers.get("Goodwater-Signature", ""),
                    self.rfile.read(int(length)),
                )
                try:
                    take(self.path.removeprefix(_PREFIX), came)
                except NotBelieved as refused:
                    self._answer(refused.status, str(refused))
                else:
                    self._answer(200, "heard")

        def do_GET(self) -> None:
            self._answer(
                405, f"this is a Goodwater guard; heartbeats are POSTed to {_PREFIX}<id of the site>"
            )

        def _answer(self, status: int, words: str) -> None:
            body = f"{words}\n".encode()
            # The sender's status line is what it shows: the reason says it as well.
            self.send_response(status, words if status >= 400 else None)
            self.send_header("Content-Type", "text/plain; charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Connection", "close")
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *arguments: object) -> None:
            log.debug(format, *arguments)

    return Handler
