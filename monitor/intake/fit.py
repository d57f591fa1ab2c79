"""Whether the values a wire or a payload names are those of its instrument."""

from __future__ import annotations

from collections.abc import Collection, Sequence


def unfit_values(holder: str, values: Collection[str], channels: Sequence[str], lacks: str) -> list[str]:
    """What does not fit an instrument with these channels, in words.

    `holder` is what names the values (`wire`, `payload`), `lacks` what a channel it leaves out has none of
    there (`column in the wire's values`).
    """
    return [
        f'{holder} value "{channel}" is no channel of this instrument; it has: {", ".join(channels)}'
        for channel in values
        if channel not in channels
    ] + [f'channel "{channel}" has no {lacks}' for channel in channels if channel not in values]
