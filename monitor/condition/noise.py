"""A value that swings to and fro: air in the line, a loose screen, a bad earth.

The size of a swing is that of QARTOD's spike test in its differential form: what a value stands out from both
of its neighbours. One of them is a spike and the jump flag's business; here it is their running mean.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.plant.model import Channel

# What moves slowly by nature and is read quickly. Flows pulse, levels have waves, pressures feel the pump.
_CALM = frozenset(
    {"conductivity", "resistivity", "tds", "temperature", "ph", "turbidity", "concentration", "hardness"}
)
# Values further apart than this may differ by what happened in between: slower instruments are not looked at.
_NEXT_MS = 60_000
_MEAN_OF = 16.0


@dataclass(frozen=True, slots=True)
class NoiseState:
    """The last value, the step that led to it, and the mean swing of late."""

    value: float = 0.0
    time_ms: int = 0
    step: float = 0.0
    swing: float = 0.0
    noisy: bool = False


def may_be_noisy(channel: Channel, interval_ms: int) -> bool:
    """Whether swings of this channel, which speaks so often, would be the instrument's."""
    return interval_ms <= _NEXT_MS and (channel.noise is not None or channel.quantity in _CALM)


def on_value(channel: Channel, state: NoiseState | None, time_ms: int, value: float) -> NoiseState:
    """The swings after a value. Beyond the limit one swing counts no more than twice it, so that a single
    spike is soon forgotten; what was called noisy has to fall to half the limit."""
    if state is None:
        return NoiseState(value, time_ms)
    if not 0 < time_ms - state.time_ms <= _NEXT_MS:
        return NoiseState(value, time_ms, 0.0, state.swing, state.noisy)
    step, swing = value - state.value, 0.0
    if step * state.step < 0.0 or state.noisy:
        limit = noise_limit(channel, value)
        if step * state.step < 0.0:
            swing = min(abs(step), abs(state.step), 2.0 * limit)
        swing = state.swing + (swing - state.swing) / _MEAN_OF
        return NoiseState(value, time_ms, step, swing, swing > (0.5 * limit if state.noisy else limit))
    return NoiseState(value, time_ms, step, state.swing * (1.0 - 1.0 / _MEAN_OF))


def noise_limit(channel: Channel, at: float) -> float:
    """The mean swing that is still the instrument's own unrest, in the canonical unit.

    The setting `noise`, or else five steps of resolution, twice the accuracy, or a twentieth of the value,
    whichever is largest (our own choice).
    """
    if channel.noise is not None:
        return channel.noise.difference(channel.quantity)
    accuracy = channel.accuracy.at(at, channel.quantity, channel.canonical_range[1])
    return max(5.0 * channel.canonical_resolution, 2.0 * accuracy, 0.05 * abs(at))
