"""Conductivity and dissolved solids as one: what a channel says of salt."""

from __future__ import annotations

from collections.abc import Callable

from monitor.plant.model import Channel, Plant
from monitor.water.dissolved import ec25_from_tds_us_cm, tds_mg_l


def ec25_of(plant: Plant, name: str, key: str) -> Callable[[float], float]:
    """From a channel's canonical value to conductivity at 25 °C, µS/cm; a display's slight minus is nothing.

    Raises: ValueError naming the key, where the channel's values are not those at 25 °C.
    """
    channel = plant.channels[name]
    if channel.quantity == "tds":
        scale, factor = channel.tds_scale or "natural", channel.tds_factor
        return lambda value: ec25_from_tds_us_cm(max(value, 0.0), scale, factor)
    if not _at_25(channel):
        raise ValueError(
            f'{key} = "{name}" is not referred to 25 °C, so its temperature would look like salt; say '
            "compensated = true on the channel if its meter does it, or give it compensation and temperature"
        )
    return lambda value: max(value, 0.0)


def salt_mg_l(ec25_us_cm: float) -> float:
    """Dissolved solids on one scale for all: that of natural water."""
    return tds_mg_l(ec25_us_cm)


def _at_25(channel: Channel) -> bool:
    return bool(channel.compensated) or channel.compensation != "none"
