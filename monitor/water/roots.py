"""Where a rising curve passes zero: for the equations that are only given the other way round."""

from __future__ import annotations

from collections.abc import Callable

__all__: list[str] = []


def where_zero(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a never-falling function passes zero between low and high, to the last bit, by halving."""
    while True:
        middle = (low + high) / 2.0
        if middle in (low, high):
            return middle
        if rising(middle) < 0.0:
            low = middle
        else:
            high = middle
