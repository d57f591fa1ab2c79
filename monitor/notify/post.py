"""One POST to a web address, with an end to it: for webhooks, and for heartbeats."""

from __future__ import annotations

import http.client
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from monitor.notify.deadline import Deadline
from monitor.notify.failures import Temporary
from monitor.notify.mail_server import trusting
from monitor.notify.words import said


@dataclass(frozen=True, slots=True)
class Answer:
    """What the far end said; `wait_s` is how long it asked us to wait, 0 when it did not say."""

    status: int
    reason: str
    wait_s: float


@dataclass(frozen=True, slots=True)
class Poster:
    """Where to, whom to trust there, and how long to wait for each answer."""

    url: str
    label: str  # how a person names the far end
    ca_file: str | None
    folder: Path
    timeout_ms: int

    def post(self, body: bytes, headers: Mapping[str, str]) -> Answer:
        """The answer to a POST; a whole exchange takes three times the timeout at most.

        Raises: Temporary when there is none: nobody there, no trust, no end.
        """
        longest_s = 3 * self.timeout_ms / 1000
        with Deadline(longest_s) as deadline:
            try:
                return self._exchange(body, headers, deadline)
            except Temporary as failure:
                if deadline.expired:
                    raise Temporary(f"{self.label} did not finish within {longest_s:g} s") from failure
                raise

    def _exchange(self, body: bytes, headers: Mapping[str, str], deadline: Deadline) -> Answer:
        parts = urlsplit(self.url)
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        connection = self._connection(parts)
        deadline.watch(connection)
        try:
            connection.request("POST", path, body, dict(headers))
            reply = connection.getresponse()
            return Answer(reply.status, reply.reason, _asked_to_wait(reply.getheader("Retry-After")))
        except ssl.SSLCertVerificationError as error:
            raise Temporary(
                f"the certificate of {self.label} is not trusted: {error.verify_message}; "
                "if it is the shop's own, name its authority in ca_file"
            ) from error
        except (OSError, http.client.HTTPException) as error:
            raise Temporary(f"{self.label} cannot be reached: {said(error)}") from error
        finally:
            connection.close()

    def _connection(self, parts: SplitResult) -> http.client.HTTPConnection:
        host, seconds = parts.hostname or "", self.timeout_ms / 1000
        if parts.scheme == "http":
            return http.client.HTTPConnection(host, parts.port, timeout=seconds)
        tls = trusting(self.ca_file, self.folder)
        return http.client.HTTPSConnection(host, parts.port, timeout=seconds, context=tls)


def _asked_to_wait(retry_after: str | None) -> float:
    """Seconds of a Retry-After header; its other form, a date, is not read: the usual wait will do."""
    return float(retry_after) if retry_after and retry_after.isascii() and retry_after.isdigit() else 0.0
