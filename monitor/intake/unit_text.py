"""Units that come with a value: what they turn a number into, for a channel whose unit is known."""

from __future__ import annotations

from functools import lru_cache

from monitor.plant import units
from monitor.plant.channel import Channel
from monitor.plant.current_loop import FULL_MA, LIVE_ZERO_MA
from monitor.plant.units import Scale

# Unit names of SenML (RFC 8428, 12.1; RFC 8798, 2 and 3) that our quantities can come in, and ours.
# Its "%" is no percentage but the bare ratio, like "/" (12.1, note 1); percent is "/100".
_SENML = {
    "Cel": "degC",
    "K": "kelvin",
    "S/m": "S/m",
    "m": "m",
    "cm": "cm",
    "mm": "mm",
    "m3": "m3",
    "l": "L",
    "m3/s": "m3/s",
    "l/s": "L/s",
    "Pa": "Pa",
    "hPa": "hPa",
    "kg/m3": "kg/m**3",
    "ppm": "ppm",
    "pH": "pH",
    "A": "A",
    "mA": "mA",
    "V": "V",
    "mV": "mV",
    "count": "pulse",
    "/": "1",
    "%": "1",
    "/100": "percent",
}
# A sum is in its unit times seconds.
_SENML_SUMS = {"l/s": "L", "m3/s": "m3"}


def senml_scale(text: str, channel: Channel, *, of_sum: bool = False) -> Scale | None:
    """From a SenML unit to the channel's; None when it is another quantity's, or nobody's.

    Names that are in no registry are taken too where they are the channel's own unit or a usual one of its
    quantity, like `uS/cm`.
    """
    return _scales(channel.quantity, _sent_in(channel), of_sum).get(text)


def printed_scale(text: str, channel: Channel) -> Scale | None:
    """From a unit as a meter prints it behind a number to the channel's; None when it does not fit."""
    return _printed(channel.quantity, _sent_in(channel)).get(text.strip())


def _sent_in(channel: Channel) -> str:
    """The unit that arrives: of a 4 to 20 mA signal the current, or the plain counts of an input module."""
    loop = channel.current_loop
    if loop is None:
        return channel.unit
    return "mA" if loop.counts == (LIVE_ZERO_MA, FULL_MA) else "pulse"


@lru_cache(maxsize=256)
def _scales(quantity: str, unit: str, of_sum: bool) -> dict[str, Scale]:
    if of_sum:
        return _fitting(_SENML_SUMS, unit)
    return _printed(quantity, unit) | _fitting(_SENML, unit)


@lru_cache(maxsize=256)
def _printed(quantity: str, unit: str) -> dict[str, Scale]:
    usual = {text: text for text in (*units.unit_examples(quantity), unit)}
    signed = {text.replace("u", "µ", 1): text for text in usual if text.startswith("uS")}
    degrees = {"°C": "degC", "C": "degC", "°F": "degF", "F": "degF"} if quantity == "temperature" else {}
    return _fitting(usual | signed | degrees, unit)


def _fitting(names: dict[str, str], unit: str) -> dict[str, Scale]:
    """Worked out once for each channel's unit, so that no text off a wire is ever parsed as a unit."""
    found: dict[str, Scale] = {}
    for name, ours in names.items():
        try:
            found[name] = units.scale_between(ours, unit)
        except units.UnitError:
            continue
    return found
