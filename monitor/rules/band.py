"""A value read by hand against a band: told when it is surely out, and back when it is surely in again."""

from __future__ import annotations

from typing import Literal

Side = Literal["", "below", "above"]


def side(value: float, band: tuple[float, float]) -> Side:
    """On which side of its band a value is; empty when it is inside."""
    return "below" if value < band[0] else "above" if value > band[1] else ""


def judged(held: Side, value: float, before: float | None, band: tuple[float, float], error: float) -> Side:
    """What is held of it after a reading that may err by so much, and the one before.

    One reading is enough when it is beyond the band's end by more than its error; else two in a row, by a
    third of that: a coolant kept at the very end of its band is no remark every other week.
    """
    now = side(value, band)
    if now:
        last = "" if before is None else side(before, _wider(band, error / 3.0))
        twice = side(value, _wider(band, error / 3.0)) == last == now
        return now if twice or side(value, _wider(band, error)) == now else held
    twice = before is not None and not side(before, band)
    return "" if twice or not side(value, _wider(band, -error)) else held


def _wider(band: tuple[float, float], by: float) -> tuple[float, float]:
    return band[0] - by, band[1] + by
