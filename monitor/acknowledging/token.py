"""What stands in a link: 32 letters and digits that name one row of the outbox, a last moment, and a proof.

The proof is an HMAC-SHA256 (RFC 2104), cut to 96 bits, over the action and everything the token is good for:
the site, the transition told, the person told, the row, the last moment. The row's number alone would not
do: after a restored backup the same number may be another message.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
import struct
from dataclasses import dataclass

_ACTION = b"goodwater/acknowledge/1"
_FORM = re.compile(r"[a-z2-7]{32}")
_HEAD = struct.Struct(">II")  # row, last moment in minutes since 1970
_MAC_BYTES = 12
_MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True)
class Claim:
    """What a token says of itself: nothing of it is believed before the proof is."""

    owed_id: int
    until_ms: int
    mac: bytes


@dataclass(frozen=True, slots=True)
class Told:
    """What a token is good for: the transition that one person was told of, by one row of the outbox."""

    owed_id: int
    transition: str  # Transition.key
    person: str


def made(key: bytes, site: str, told: Told, until_ms: int) -> str:
    """The token for a message. Raises: ValueError for a row or a moment beyond what 32 bits hold."""
    try:
        head = _HEAD.pack(told.owed_id, until_ms // _MINUTE_MS)
    except struct.error as error:
        raise ValueError(f"no token can be made for row {told.owed_id} until {until_ms}: {error}") from error
    return base64.b32encode(head + _mac(key, site, told, head)).decode().lower()


def read(token: str) -> Claim | None:
    """What a token claims; None when it has not even its form. Capitals are forgiven."""
    if not _FORM.fullmatch(token.lower()):
        return None
    try:
        raw = base64.b32decode(token.upper())
    except binascii.Error:
        return None
    owed_id, minutes = _HEAD.unpack(raw[: _HEAD.size])
    return Claim(owed_id, minutes * _MINUTE_MS, raw[_HEAD.size :])


def proves(claim: Claim, key: bytes, site: str, told: Told) -> bool:
    """Whether a claim was made with this key for exactly this; compared in constant time."""
    head = _HEAD.pack(claim.owed_id, claim.until_ms // _MINUTE_MS)
    return hmac.compare_digest(_mac(key, site, told, head), claim.mac)


def _mac(key: bytes, site: str, told: Told, head: bytes) -> bytes:
    parts = [_ACTION, site.encode(), told.transition.encode(), told.person.encode(), head]
    # Lengths before the parts: no two different sets of parts give the same bytes.
    content = b"".join(struct.pack(">I", len(part)) + part for part in parts)
    return hmac.new(key, content, hashlib.sha256).digest()[:_MAC_BYTES]
