"""The payloads there are, and the one call that decodes any of them.

A new payload is one file with a settings model (literal `kind`, `mistakes`) and a pure decoding function,
and a line in each of the two lists below.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Annotated, Any

from pydantic import Field

from monitor.intake.decoded import MAX_BYTES, Decoded, Origin
from monitor.intake.payload_json import JsonPayload, decode_json
from monitor.intake.payload_number import NumberPayload, decode_number

Payload = Annotated[JsonPayload | NumberPayload, Field(discriminator="kind")]

_DECODERS: dict[type, Callable[[Any, bytes, Sequence[str], Collection[str], Origin], Decoded]] = {
    JsonPayload: decode_json,
    NumberPayload: decode_number,
}


def decode(
    payload: JsonPayload | NumberPayload,
    raw: bytes,
    *,
    channels: Sequence[str],
    contacts: Collection[str] = (),
    subject: str,
    now_ms: int,
) -> Decoded:
    """What a payload says, by its settings; whatever the bytes are, this does not raise.

    `channels` are the instrument's channel ids, `contacts` those of them that are contacts, `subject` the
    topic the bytes came by, `now_ms` the arrival, UTC milliseconds. What could not be read is in
    `problems`, each with a slug for its reason: `too-large`, `not-utf-8`, `not-json`, `missing-value`,
    `not-a-number`, `not-finite`, `unit-text`, `missing-time`, `bad-time`.
    """
    origin = Origin(subject, now_ms)
    if len(raw) > MAX_BYTES:
        detail = f"{len(raw)} bytes, at most {MAX_BYTES} are read"
        return Decoded(problems=(origin.count("too-large", detail),))
    return _DECODERS[type(payload)](payload, raw, channels, contacts, origin)
