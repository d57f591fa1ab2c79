"""Conductivity referred to 25 °C, by the method the channel names."""

from __future__ import annotations

from monitor.condition.fresh import is_fresh
from monitor.plant.model import Channel
from monitor.readings import Level, Reading, Reason
from monitor.water.conductivity import ec25_linear_us_cm, ec25_natural_us_cm

_DEFAULT_ALPHA_PER_C = 0.02


def compensate(
    channel: Channel, ec_us_cm: float, temperature: Reading | None, at_ms: int, trusted_for_ms: int
) -> tuple[float, Reason]:
    """The value at 25 °C and what is doubtful about it; the value as it was when it cannot be referred."""
    if channel.compensation == "none":
        return ec_us_cm, Reason.NONE
    if temperature is None or temperature.level == Level.BAD:
        return ec_us_cm, Reason.NO_TEMPERATURE
    if not is_fresh(temperature.time_ms, at_ms, trusted_for_ms):
        return ec_us_cm, Reason.NO_TEMPERATURE
    doubt = Reason.INPUT_UNCERTAIN if temperature.level == Level.UNCERTAIN else Reason.NONE
    try:
        if channel.compensation == "linear":
            alpha = _DEFAULT_ALPHA_PER_C if channel.alpha is None else channel.alpha.in_unit("1")
            return ec25_linear_us_cm(ec_us_cm, temperature.value, alpha), doubt
        return ec25_natural_us_cm(ec_us_cm, temperature.value), doubt
    except ValueError:  # outside the method's range of temperature
        return ec_us_cm, Reason.OUTSIDE_METHOD
