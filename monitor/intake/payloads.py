"""The payloads there are, and the one call that decodes any of them.

A new payload is one file with a settings model (literal `kind`, `mistakes`) and a pure decoding function,
and a line in each of the two lists below.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Any

from pydantic import Field

from monitor.intake.decoded import MAX_BYTES, Decoded, Origin
from monitor.intake.payload_json import JsonPayload, decode_json
from monitor.intake.payload_named import NamedPayload, decode_named
from monitor.intake.payload_number import NumberPayload, decode_number
from monitor.intake.payload_senml import SenmlPayload, decode_senml
from monitor.plant.channel import Channel

AnyPayload = JsonPayload | NamedPayload | NumberPayload | SenmlPayload
Payload = Annotated[AnyPayload, Field(discriminator="kind")]

_DECODERS: dict[type, Callable[[Any, bytes, Sequence[Channel], Origin], tuple[Decoded, ...]]] = {
    JsonPayload: decode_json,
    NamedPayload: decode_named,
    NumberPayload: decode_number,
    SenmlPayload: decode_senml,
}


def decode(
    payload: AnyPayload, raw: bytes, *, channels: Sequence[Channel], subject: str, now_ms: int
) -> tuple[Decoded, ...]:
    """What a payload says, by its settings, oldest moment first; whatever the bytes are, this does not raise.

    `channels` are those that this message is for, `subject` the topic the bytes came by, `now_ms` the
    arrival, UTC milliseconds. What could not be read is in `problems`, each with a slug for its reason:
    `too-large`, `too-many`, `not-utf-8`, `not-json`, `not-an-array`, `missing-value`, `not-a-number`,
    `not-finite`, `unit-text`, `missing-time`, `bad-time`; of SenML also `not-senml`, `senml-version`,
    `senml-unknown-label`, `wrong-unit`.
    """
    origin = Origin(subject, now_ms)
    if len(raw) > MAX_BYTES:
        detail = f"{len(raw)} bytes, at most {MAX_BYTES} are read"
        return (Decoded(problems=(origin.count("too-large", detail),)),)
    found = _DECODERS[type(payload)](payload, raw, channels, origin)
    return found if len(found) < 3 else tuple(sorted(found, key=lambda one: _when(one, now_ms)))


def _when(moment: Decoded, now_ms: int) -> int:
    if moment.time_ms is not None:
        return moment.time_ms
    return now_ms - (moment.ago_ms or 0)
