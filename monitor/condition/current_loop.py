"""4 to 20 mA as values of the channel, with what the current says of its transmitter (NAMUR NE 43)."""

from __future__ import annotations

from monitor.frozen import replace
from monitor.plant.current_loop import FULL_MA, LIVE_ZERO_MA, CurrentLoop
from monitor.plant.model import Channel
from monitor.plant.quantities import QUANTITIES
from monitor.plant.units import to_canonical
from monitor.readings import Sample, Status
from monitor.stats.current_loop import ne43_class

# What is measured lies between these; beyond them a transmitter holds still, and further on it tells a fault.
_MEASURED_MA = (3.8, 20.5)
_BEYOND_ANY_MA = 100.0


def measured(channel: Channel, sample: Sample) -> Sample:
    """A sample in the channel's unit. Without a current loop it is that already.

    Up to 3.6 and from 21 mA it is a fault of the device. From 3.6 to 3.8 and from 20.5 to 21 mA it is under
    or over range, and the value is the end of what is measured: at most, or at least, so much is there.
    """
    loop = channel.current_loop
    if loop is None:
        return sample
    current_ma = max(-_BEYOND_ANY_MA, min(loop.current_ma(sample.value), _BEYOND_ANY_MA))
    said = _says(loop, current_ma)
    # The number beside a fault says nothing, not even that it is beyond the range.
    lowest, highest = (LIVE_ZERO_MA, FULL_MA) if said == Status.DEVICE_FAULT else _MEASURED_MA
    value = _value(channel, loop, max(lowest, min(current_ma, highest)))
    return replace(sample, value=value, status=sample.status | said)


def span(channel: Channel) -> tuple[float, float]:
    """The lowest and highest value a channel can show, in its unit; of a loop a little beyond its range."""
    loop = channel.current_loop
    if loop is None:
        return channel.range
    ends = [_value(channel, loop, current_ma) for current_ma in _MEASURED_MA]
    return min(ends), max(ends)


def _value(channel: Channel, loop: CurrentLoop, current_ma: float) -> float:
    """What a current that measures stands for.

    A transmitter whose zero is a little low sends less than 4 mA for nothing at all: such a value is
    nothing, not an impossible one.
    """
    value = loop.value(current_ma, channel.range)
    known, scale = QUANTITIES[channel.quantity], to_canonical(channel.unit, channel.quantity)
    least, most = ((end - scale.offset) / scale.factor for end in (known.low, known.high))
    return max(least, min(value, most))


def _says(loop: CurrentLoop, current_ma: float) -> Status:
    said = ne43_class(current_ma)
    if said in ("fail_low", "fail_high"):
        return Status.DEVICE_FAULT
    if said == "undefined_band":
        return Status.OVER_RANGE if (current_ma > FULL_MA) != loop.falling else Status.UNDER_RANGE
    return Status.OK
