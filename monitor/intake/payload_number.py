"""A payload that is one number as text: `12.3`, `12,3`, `12.3 uS/cm`; of a contact also `on` or `off`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from monitor.intake.decoded import Decoded, NumberText, Origin, Refusal, said, text_of
from monitor.plant.channel import Channel


class NumberPayload(NumberText):
    """The whole payload is one number, for one channel. It carries no time."""

    kind: Literal["number"] = Field(
        default="number", description='"number": the whole payload is one number as text'
    )

    def mistakes(self, channels: Sequence[str], together: Sequence[Sequence[str]]) -> list[str]:
        """What does not fit an instrument with these channels, in words."""
        return [
            f'payload "number" holds the value of one channel; here it would be for {", ".join(some)}'
            for some in together
            if len(some) > 1
        ]

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What part of a payload each channel is read from: all of it."""
        return dict.fromkeys(channels, "")


def decode_number(
    payload: NumberPayload, raw: bytes, channels: Sequence[Channel], origin: Origin
) -> tuple[Decoded, ...]:
    """The number of a payload, for the one channel."""
    (channel,) = channels
    text = text_of(raw)
    found = text if isinstance(text, Refusal) else said(text, payload, channel)
    if isinstance(found, Refusal):
        return (Decoded(problems=(origin.count(found.what, found.detail),)),)
    return (Decoded(values={channel.id: found[0]}, statuses={channel.id: found[1]}),)
