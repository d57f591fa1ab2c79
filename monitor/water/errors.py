"""The one way this package refuses a value it has no physics for."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

__all__: list[str] = []


class OutOfRange(ValueError):
    """An input lies outside what the formula was made for.

    The text names the input, its value, the range and the unit; the same are attributes.
    """

    def __init__(self, name: str, value: object, allowed: str, why: str = "") -> None:
        self.name = name
        self.value = value
        self.allowed = allowed
        shown = f"{value:g}" if isinstance(value, (int, float)) else str(value)
        super().__init__(f"{name} = {shown} is out of range: {allowed}" + (f" ({why})" if why else ""))


def span(low: float, high: float, unit: str = "") -> str:
    """Say a range in words: "0 to 36 °C", "at least 0 mg/L"."""
    tail = f" {unit}" if unit else ""
    if math.isinf(low) and math.isinf(high):
        return f"any finite number{tail and ' of' + tail}"
    if math.isinf(high):
        return f"at least {low:g}{tail}"
    if math.isinf(low):
        return f"at most {high:g}{tail}"
    return f"{low:g} to {high:g}{tail}"


def within(
    name: str, value: float, low: float = -math.inf, high: float = math.inf, unit: str = "", why: str = ""
) -> float:
    """Give back `value` as a float, or raise `OutOfRange` unless it is finite and low <= value <= high."""
    number = float(value)
    if not math.isfinite(number) or not low <= number <= high:
        raise OutOfRange(name, number, span(low, high, unit), why)
    return number


def positive(name: str, value: float, high: float = math.inf, unit: str = "", why: str = "") -> float:
    """Give back `value` as a float, or raise `OutOfRange` unless it is finite and 0 < value <= high."""
    number = float(value)
    if not math.isfinite(number) or not 0.0 < number <= high:
        tail = f" {unit}" if unit else ""
        allowed = f"above 0{tail}" if math.isinf(high) else f"above 0 and at most {high:g}{tail}"
        raise OutOfRange(name, number, allowed, why)
    return number


def all_within(
    name: str,
    values: ArrayLike,
    low: float = -math.inf,
    high: float = math.inf,
    unit: str = "",
    why: str = "",
) -> np.ndarray:
    """The same for a series: give it back as a float array, or raise naming the first bad value."""
    array = np.asarray(values, dtype=float)
    bad = ~(np.isfinite(array) & (array >= low) & (array <= high))
    if bad.any():
        raise OutOfRange(name, float(array[bad].flat[0]), span(low, high, unit), why)
    return array
