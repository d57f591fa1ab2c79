"""Conductivity at 25 °C from the channels `breakthrough` may be given.

A TDS display shows just that, times a factor.
"""

from __future__ import annotations

from monitor.plant.model import Channel
from monitor.water.dissolved import ec25_from_tds_us_cm, tds_mg_l

READ_AS_EC = ("conductivity", "tds")


class Conductivity:
    """One channel's values, last digit and error as conductivity, uS/cm."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._is_tds = channel.quantity == "tds"
        self._scale, self._factor = channel.tds_scale or "natural", channel.tds_factor
        self.digit_us_cm = self.us_cm(channel.canonical_resolution)

    def us_cm(self, value: float) -> float:
        """The conductivity behind a canonical value; a display's slight minus is nothing."""
        if not self._is_tds:
            return value
        return ec25_from_tds_us_cm(max(value, 0.0), self._scale, self._factor)

    def off_us_cm(self, us_cm: float) -> float:
        """What the probe may be off at a conductivity: its accuracy, at least its last digit."""
        value = tds_mg_l(us_cm, self._scale, self._factor) if self._is_tds else us_cm
        channel = self._channel
        off = channel.accuracy.at(value, channel.quantity, channel.canonical_range[1])
        return max(self.us_cm(off), self.digit_us_cm)
