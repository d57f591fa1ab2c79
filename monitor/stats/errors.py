"""The one way this package refuses an input. It stands alone: `stats` imports nothing else of ours."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["OutOfRange"]

Floats = NDArray[np.floating[Any]]


class OutOfRange(ValueError):
    """An input lies outside what the method was made for; the text names it, its value and the range."""

    def __init__(self, name: str, value: object, allowed: str) -> None:
        self.name = name
        self.value = value
        self.allowed = allowed
        shown = f"{value:g}" if isinstance(value, (int, float)) else str(value)
        super().__init__(f"{name} = {shown} is out of range: {allowed}")


def within(name: str, value: float, low: float = -math.inf, high: float = math.inf) -> float:
    """Give back `value` as a float, or raise `OutOfRange` unless it is finite and low <= value <= high."""
    number = float(value)
    if not math.isfinite(number) or not low <= number <= high:
        raise OutOfRange(name, number, f"a finite number from {low:g} to {high:g}")
    return number


def positive(name: str, value: float, high: float = math.inf) -> float:
    """Give back `value` as a float, or raise `OutOfRange` unless it is finite and 0 < value <= high."""
    number = float(value)
    if not math.isfinite(number) or not 0.0 < number <= high:
        raise OutOfRange(name, number, f"a finite number above 0, at most {high:g}")
    return number


def whole(name: str, value: int, low: int = 1) -> int:
    """Give back `value` as an int, or raise `OutOfRange` unless it is whole and at least `low`."""
    if int(value) != value or value < low:
        raise OutOfRange(name, value, f"a whole number, at least {low}")
    return int(value)


def series(name: str, values: ArrayLike, at_least: int = 1) -> Floats:
    """Give back a finite one-dimensional series, or raise `OutOfRange` naming the first bad value."""
    array = np.asarray(values, dtype=float)
    if array.ndim != 1 or array.size < at_least:
        raise OutOfRange(name, f"array of shape {array.shape}", f"one-dimensional, {at_least} or more values")
    bad = ~np.isfinite(array)
    if bad.any():
        raise OutOfRange(f"{name}[{int(np.argmax(bad))}]", float(array[bad][0]), "a finite number")
    return array


def paired(t: ArrayLike, y: ArrayLike, at_least: int) -> tuple[Floats, Floats]:
    """Two finite series of one length."""
    times, values = series("t", t, at_least), series("y", y, at_least)
    if times.size != values.size:
        raise OutOfRange("y", f"{values.size} values", f"as many as t, {times.size}")
    return times, values
