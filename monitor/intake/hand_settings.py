"""Settings of an instrument that a person reads: a display, a test strip, a refractometer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from monitor.plant.fields import Table


class Wire(Table):
    """An instrument on no wire at all: `goodwater log` hands its readings in."""

    kind: Literal["hand"] = Field(
        default="hand", description='"hand": read by a person and handed in with `goodwater log`'
    )

    def mistakes(self, channels: Sequence[str]) -> list[str]:
        """Nothing can fail to fit: any channel may be read by eye."""
        return []

    def sources(self, channels: Sequence[str]) -> dict[str, str]:
        """What each channel is read from, in words: each from the instrument itself."""
        return {channel: f"the instrument's own display, as {channel}" for channel in channels}
