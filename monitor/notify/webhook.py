"""A signed JSON message to a web address, the way of delivery `kind = "webhook"`."""

from __future__ import annotations

import hashlib
import hmac
import json
from typing import TYPE_CHECKING, Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from monitor.notify.failures import Permanent, Temporary
from monitor.notify.mail_server import trusting
from monitor.notify.post import Poster
from monitor.notify.secret import Secret
from monitor.notify.way import Surroundings
from monitor.notify.words import answer
from monitor.plant.addresses import web_address
from monitor.plant.fields import DurationMs, SigningKeyFile, Table, TrustedFile
from monitor.plant.secret import one_of

if TYPE_CHECKING:
    from monitor.notify.message import Message

_SHORTEST_KEY = 16
# 408 request timeout, 425 too early, 429 too many requests: the client is asked to come again.
_LATER = frozenset({408, 425, 429})


class Way(Table):
    """A receiver that takes JSON by POST."""

    kind: Annotated[Literal["webhook"], Field(description="JSON by HTTP POST, signed")]
    url: Annotated[
        str,
        AfterValidator(web_address),
        Field(description="https address of the receiver; http only inside the shop"),
    ]
    secret_file: SigningKeyFile = None
    secret_env: Annotated[
        str | None, Field(description="environment variable that holds the signing key")
    ] = None
    ca_file: TrustedFile = None
    timeout: Annotated[
        DurationMs,
        Field(gt=0, description="longest wait for each answer; a whole delivery may take three times this"),
    ] = 20_000

    @model_validator(mode="after")
    def _is_signed(self) -> Way:
        one_of("secret", self.secret_file, self.secret_env)
        return self

    @property
    def label(self) -> str:
        return f"webhook {urlsplit(self.url).hostname}"

    def mistakes(self, around: Surroundings) -> list[str]:
        """A signing key that cannot be read or is too short, a `ca_file` that is none."""
        found = []
        try:
            self._key(around)
        except Temporary as wrong:
            found.append(str(wrong))
        try:
            trusting(self.ca_file, around.folder)
        except Temporary as wrong:
            found.append(str(wrong))
        return found

    def send(self, message: Message, around: Surroundings) -> str:
        """POST the message's data; any 2xx answer is delivery.

        Raises: Temporary or Permanent, by the status as docs/reference/webhook.md lists it.
        """
        body = json.dumps(message.data, ensure_ascii=False, allow_nan=False).encode("utf-8", "replace")
        stamp = str(message.time_ms // 1000)
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "goodwater",
            "Idempotency-Key": f'"{message.message_id}"',
            "Goodwater-Timestamp": stamp,
            "Goodwater-Signature": signature(self._key(around), stamp, body),
        }
        poster = Poster(self.url, self.label, self.ca_file, around.folder, self.timeout)
        reply = poster.post(body, headers)
        return self._judged(reply.status, answer(reply.status, reply.reason), reply.wait_s)

    def _key(self, around: Surroundings) -> bytes:
        key = Secret("secret", self.secret_file, self.secret_env, around.folder, around.environ).read()
        if len(key) < _SHORTEST_KEY:
            raise Temporary(
                f"the signing key of {self.label} has {len(key)} characters; it needs {_SHORTEST_KEY} "
                "or more, as `openssl rand -hex 32` makes them"
            )
        return key.encode()

    def _judged(self, status: int, words: str, wait_s: float) -> str:
        text = f"{self.label} answered {words}"
        if 200 <= status < 300:
            return text
        if 300 <= status < 400:
            # A captive portal answers so as well; following would hand the alarm to whoever it names.
            raise Temporary(f"{text}; a redirect is never followed: give the final address")
        if status in _LATER or status in (502, 503, 504):
            raise Temporary(text, wait_s=wait_s)
        if 400 <= status < 500:
            raise Permanent(text)
        raise Temporary(text, about="message", wait_s=wait_s)


def signature(key: bytes, stamp: str, body: bytes) -> str:
    """HMAC-SHA256 (RFC 2104) over the stamp, a dot and the body, in hexadecimal after `sha256=`."""
    return "sha256=" + hmac.new(key, stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
