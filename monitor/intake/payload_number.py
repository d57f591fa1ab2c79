"""A payload that is one number as text: `12.3`, `12,3`, `12.3 uS/cm`; of a contact also `on` or `off`."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Literal

from pydantic import Field

from monitor.intake.decoded import Decoded, NumberText, Origin, Refusal, said, shortened


class NumberPayload(NumberText):
    """The whole payload is one number, for an instrument of one channel. It carries no time."""

    kind: Literal["number"] = Field(
        default="number", description='"number": the whole payload is one number as text'
    )

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        if len(channels) == 1:
            return []
        return [f'payload "number" is for an instrument of one channel; this one has {len(channels)}']

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What part of a payload each channel is read from: all of it."""
        return dict.fromkeys(channels, "")


def decode_number(
    payload: NumberPayload, raw: bytes, channels: Sequence[str], contacts: Collection[str], origin: Origin
) -> Decoded:
    """The number of a payload, for the instrument's one channel."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return Decoded(problems=(origin.count("not-utf-8", shortened(raw)),))
    channel = channels[0]
    found = said(text, payload, contact=channel in contacts)
    if isinstance(found, Refusal):
        return Decoded(problems=(origin.count(found.what, found.detail),))
    return Decoded(values={channel: found[0]}, statuses={channel: found[1]})
